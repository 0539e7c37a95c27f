"""``/household/``: anybody of it reads, an owner writes."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households import invitations, people
from hobbyhydro.households.models import Household, User

GOOD = {"name": "Fern Street", "time_zone": "Europe/Lisbon", "currency": "EUR", "plan_by": "10"}


def test_works(as_owner: Client, household: Household) -> None:
    assertContains(as_owner.get("/household/"), "<form")
    assertRedirects(as_owner.post("/household/", {**GOOD, "name": "Fern 12"}), "/household/")
    household.refresh_from_db()
    assert (household.name, household.time_zone, household.currency) == (
        "Fern 12", "Europe/Lisbon", "EUR",
    )  # fmt: skip


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_needs_an_owner_to_change(
    role: str, household: Household, request: pytest.FixtureRequest
) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    page = client.get("/household/")
    assertContains(page, "Fern Street")
    assertNotContains(page, 'name="time_zone"')
    refused = client.post("/household/", GOOD)
    assertContains(refused, "Only an owner of the household can change this.", status_code=403)
    household.refresh_from_db()
    assert household.time_zone == "UTC"


def test_a_stranger_stands_in_their_own(
    as_stranger: Client, household: Household, stranger: User
) -> None:
    page = as_stranger.get("/household/")
    assertContains(page, "Elsewhere")
    assertNotContains(page, "Fern Street")
    as_stranger.post("/household/", {**GOOD, "name": "Theirs", "pk": household.pk})
    household.refresh_from_db()
    assert household.name == "Fern Street"
    assert stranger.households.get().name == "Theirs"


def test_sends_the_signed_out_to_sign_in(client: Client, db: None) -> None:
    assertRedirects(client.get("/household/"), "/account/login/?next=/household/")
    assertRedirects(client.post("/household/", GOOD), "/account/login/?next=/household/")


def test_one_who_belongs_nowhere_gets_404(client: Client, db: None) -> None:
    client.force_login(
        User.objects.create_user("loner@example.org", "a drip a second"),
        backend="django.contrib.auth.backends.ModelBackend",
    )
    assert client.get("/household/").status_code == 404


@pytest.mark.parametrize(
    ("field", "value"),
    [("name", ""), ("time_zone", "Mars/Olympus"), ("time_zone", ""), ("currency", "XYZ")],
)
def test_keeps_what_was_typed_and_saves_nothing(
    as_owner: Client, household: Household, field: str, value: str
) -> None:
    page = as_owner.post("/household/", {**GOOD, "name": "Typed in haste", field: value})
    assert page.status_code == 200
    assert list(page.context["form"].errors) == [field]
    if field != "name":
        assertContains(page, 'value="Typed in haste"')
    assertContains(page, "<h1>Fern Street</h1>")
    household.refresh_from_db()
    assert (household.name, household.time_zone, household.currency) == (
        "Fern Street", "UTC", "USD",
    )  # fmt: skip


def test_lists_its_people_and_what_they_may(
    as_viewer: Client, keeper: User, owner: User, stranger: User
) -> None:
    page = as_viewer.get("/household/")
    for words in ("Odile", "Kasimir", "Vesna", "sees and logs", "(you)"):
        assertContains(page, words)
    assertNotContains(page, "Sune")
    assertNotContains(page, "owner@example.org")  # a name is enough to know each other by


def test_more_people_cost_no_more_queries(as_owner: Client, household: Household) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            as_owner.get("/household/")
        return len(seen)

    few = queries()
    for k in range(15):
        person = User.objects.create_user(f"k{k}@example.org", name=f"Keeper {k}")
        household.memberships.create(person=person)
        people.note(household, by=person, says=f"Keeper {k} joined")
        invitations.invite(
            household=household,
            email=f"g{k}@example.org",
            role="viewer",
            by=household.memberships.earliest("pk").person,
        )
    assert queries() == few <= 12
    assertContains(as_owner.get("/household/"), "Keeper 14")


def test_offers_every_zone_that_the_machine_knows(as_owner: Client) -> None:
    page = as_owner.get("/household/").content.decode()
    for zone in ("America/Chicago", "Asia/Kathmandu", "UTC"):
        assert f'value="{zone}"' in page
        assert zone in zoneinfo.available_timezones()


def test_days_are_counted_where_the_household_is(
    as_owner: Client, household: Household, owner: User
) -> None:
    """23:30 UTC on 3 June is already 4 June in Auckland (UTC+12 in winter, no daylight saving)."""
    household.memberships.update(since=dt.datetime(2026, 6, 3, 23, 30, tzinfo=dt.UTC))
    with time_machine.travel(dt.datetime(2026, 6, 10, tzinfo=dt.UTC), tick=False):
        as_owner.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
        assertContains(as_owner.get("/household/"), "Wed 3 Jun")
        household.time_zone = "Pacific/Auckland"
        household.save(update_fields=["time_zone"])
        assertContains(as_owner.get("/household/"), "Thu 4 Jun")
