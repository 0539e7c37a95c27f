"""``/household/people/<member>/role/``: owners say what somebody may do."""

from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied
from django.test import Client
from pytest_django.asserts import assertContains, assertRedirects

from hobbyhydro.households import people
from hobbyhydro.households.models import Household, Membership, User


def place_of(person: User, household: Household) -> Membership:
    return household.memberships.get(person=person)


def where(person: User, household: Household) -> str:
    return f"/household/people/{place_of(person, household).pk}/role/"


@pytest.mark.parametrize(
    ("role", "words"),
    [("owner", "an owner"), ("viewer", "a viewer")],
)
def test_works(
    as_owner: Client, owner: User, keeper: User, household: Household, role: str, words: str
) -> None:
    assertRedirects(
        as_owner.post(where(keeper, household), {"role": role}),
        "/household/",
        fetch_redirect_response=False,
    )
    assert place_of(keeper, household).role == role
    page = as_owner.get("/household/")
    assertContains(page, f"Kasimir is {words} now.")
    event = household.events.get()
    assert (event.by, event.says) == (owner, f"Kasimir became {words}")
    assertContains(page, f"Kasimir became {words}")


def test_the_same_role_again_is_no_event(
    as_owner: Client, keeper: User, household: Household
) -> None:
    as_owner.post(where(keeper, household), {"role": "keeper"})
    assert not household.events.exists()


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_needs_an_owner(role: str, household: Household, request: pytest.FixtureRequest) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    person: User = request.getfixturevalue(role)
    refused = client.post(where(person, household), {"role": "owner"})
    assertContains(refused, "Only an owner of the household", status_code=403)
    assert place_of(person, household).role == role


def test_hides_from_strangers(as_stranger: Client, keeper: User, household: Household) -> None:
    assert as_stranger.post(where(keeper, household), {"role": "owner"}).status_code == 404
    assert place_of(keeper, household).role == "keeper"


def test_rejects_get(as_owner: Client, keeper: User, household: Household) -> None:
    assert as_owner.get(where(keeper, household)).status_code == 405


@pytest.mark.parametrize("typed", [{}, {"role": ""}, {"role": "king"}, {"role": "OWNER"}])
def test_an_unknown_role_changes_nothing(
    as_owner: Client, keeper: User, household: Household, typed: dict[str, str]
) -> None:
    as_owner.post(where(keeper, household), typed)
    assertContains(as_owner.get("/household/"), "Nothing was changed.")
    assert place_of(keeper, household).role == "keeper"


def test_the_last_owner_hands_over_first(
    as_owner: Client, owner: User, keeper: User, household: Household
) -> None:
    as_owner.post(where(owner, household), {"role": "keeper"})
    assertContains(as_owner.get("/household/"), "Odile is the only owner. A household needs one")
    assert place_of(owner, household).role == "owner"
    assert not household.events.exists()


def test_one_of_two_owners_may_step_back(
    as_owner: Client, owner: User, keeper: User, household: Household
) -> None:
    as_owner.post(where(keeper, household), {"role": "owner"})
    as_owner.post(where(owner, household), {"role": "viewer"})
    assert place_of(owner, household).role == "viewer"
    assert as_owner.post(where(keeper, household), {"role": "viewer"}).status_code == 403
    assert place_of(keeper, household).role == "owner"


def test_who_owns_it_no_longer_is_looked_up_again(
    owner: User, keeper: User, household: Household
) -> None:
    """The service trusts no earlier look: it is told who acts, and looks for their role itself."""
    people.set_role(place_of(keeper, household), "owner", by=owner)
    people.set_role(place_of(owner, household), "keeper", by=keeper)
    with pytest.raises(PermissionDenied):
        people.set_role(place_of(keeper, household), "viewer", by=owner)
    assert place_of(keeper, household).role == "owner"


def test_counts_at_once(as_owner: Client, as_keeper: Client, keeper: User, household: Household):
    as_owner.post(where(keeper, household), {"role": "owner"})
    assertContains(as_keeper.get("/household/"), "Invite somebody")
    as_owner.post(where(keeper, household), {"role": "viewer"})
    assert as_keeper.post("/household/invite/", {}).status_code == 403
