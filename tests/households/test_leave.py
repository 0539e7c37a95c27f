"""``/household/leave/``: anybody may go, but the last owner hands over first."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households.models import Household, User

WHERE = "/household/leave/"


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_works(role: str, household: Household, request: pytest.FixtureRequest) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    person: User = request.getfixturevalue(role)
    assertContains(client.get(WHERE), "Leave Fern Street?")
    assert household.people.contains(person)
    assertRedirects(client.post(WHERE), "/", fetch_redirect_response=False)
    assert not household.people.contains(person)
    event = household.events.get()
    assert (event.by, event.says) == (person, f"{person} left")
    page = client.get("/", follow=True)
    assertContains(page, "You do not belong to Fern Street any more.")
    assertContains(page, "You belong to no household at present.")


def test_the_last_owner_is_told_to_hand_over_first(
    as_owner: Client, owner: User, keeper: User, household: Household
) -> None:
    assertRedirects(as_owner.post(WHERE), "/household/", fetch_redirect_response=False)
    assertContains(as_owner.get("/household/"), "so hand it over first")
    assert household.people.contains(owner)
    assert not household.events.exists()


def test_one_who_is_alone_is_told_that(as_owner: Client, owner: User, household: Household) -> None:
    as_owner.post(WHERE)
    page = as_owner.get("/household/")
    assertContains(page, "Odile is the only one here")
    assertNotContains(page, 'href="/household/hand-over/"')
    assert household.people.contains(owner)


def test_one_of_two_owners_may_go(
    as_owner: Client, owner: User, keeper: User, household: Household
) -> None:
    household.memberships.filter(person=keeper).update(role="owner")
    as_owner.post(WHERE)
    assert list(household.people.all()) == [keeper]


def test_one_with_another_household_stands_there_afterwards(
    as_keeper: Client, keeper: User, household: Household
) -> None:
    Household.found(owner=keeper, name="Attic")
    as_keeper.post(WHERE)
    assertContains(as_keeper.get("/household/"), "<h1>Attic</h1>")


def test_a_stranger_leaves_nothing_of_ours(as_stranger: Client, household: Household) -> None:
    as_stranger.post(WHERE)
    assert household.people.count() == 1


def test_one_who_belongs_nowhere_gets_404(as_keeper: Client, household: Household) -> None:
    as_keeper.post(WHERE)
    assert as_keeper.get(WHERE).status_code == 404
    assert as_keeper.post(WHERE).status_code == 404
