"""``/household/events/``: what has happened to the household, by whom and when."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertNotContains

from hobbyhydro.households import people
from hobbyhydro.households.models import Household, HouseholdEvent, User

WHERE = "/household/events/"
GOOD = {"name": "Fern Street", "time_zone": "UTC", "currency": "USD", "plan_by": "10"}


@pytest.mark.parametrize("role", ["owner", "keeper", "viewer"])
def test_works(
    role: str, household: Household, owner: User, request: pytest.FixtureRequest
) -> None:
    people.note(household, by=owner, says="Vesna became a keeper")
    page = request.getfixturevalue(f"as_{role}").get(WHERE)
    for words in ("Vesna became a keeper", "by Odile", "today", "The household was founded"):
        assertContains(page, words)


def test_hides_what_happened_elsewhere(
    as_stranger: Client, household: Household, owner: User
) -> None:
    people.note(household, by=owner, says="Vesna became a keeper")
    assertNotContains(as_stranger.get(WHERE), "Vesna")
    assertNotContains(as_stranger.get("/household/"), "Vesna")


def test_needs_sign_in(client: Client, db: None) -> None:
    assert client.get(WHERE).status_code == 302


def test_rejects_post(as_owner: Client) -> None:
    assert as_owner.post(WHERE).status_code == 405


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"name": "Fern 12"}, "The household is called Fern 12 now"),
        ({"time_zone": "Europe/Lisbon"}, "The time zone is Europe/Lisbon now"),
        ({"currency": "EUR"}, "The currency is EUR now"),
        (
            {"plan_by": "25"},
            "Swaps are planned by another caution now: sparing: 1 in 4 would be spent by then",
        ),
    ],
)
def test_tells_what_an_owner_changed(
    as_owner: Client, household: Household, owner: User, typed: dict[str, str], says: str
) -> None:
    as_owner.post("/household/", {**GOOD, **typed})
    event = household.events.get()
    assert (event.by, event.says) == (owner, says)


def test_what_stays_as_it_was_is_no_event(as_owner: Client, household: Household) -> None:
    as_owner.post("/household/", GOOD)
    as_owner.post("/household/", {**GOOD, "name": ""})
    assert not household.events.exists()


def test_comes_in_pages_newest_first(as_owner: Client, household: Household, owner: User) -> None:
    for k in range(60):
        people.note(household, by=owner, says=f"event {k}.")
    first, second = as_owner.get(WHERE), as_owner.get(WHERE, {"page": "2"})
    assertContains(first, "event 59.")
    assertNotContains(first, "event 9.")
    assertNotContains(first, "The household was founded")  # that is the last line of all
    assertContains(second, "event 0.")
    assertContains(second, "The household was founded")
    assert as_owner.get(WHERE, {"page": "nonsense"}).status_code == 200


def test_an_event_is_never_too_long_to_keep(household: Household, owner: User) -> None:
    event = people.note(household, by=owner, says="x" * 400)
    assert len(HouseholdEvent.objects.get(pk=event.pk).says) == 300
    assert event.says.endswith("…")


def test_one_whose_maker_is_gone_is_still_told(
    as_owner: Client, household: Household, keeper: User
) -> None:
    people.note(household, by=keeper, says="Vesna became a keeper")
    keeper.delete()
    assertContains(as_owner.get(WHERE), "Vesna became a keeper")
