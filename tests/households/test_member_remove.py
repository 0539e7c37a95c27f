"""``/household/people/<member>/remove/``: an owner takes somebody out; what they logged stays."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertRedirects

from cartridges.models import Note, Train
from cartridges.services import acts
from hobbyhydro.households import people
from hobbyhydro.households.models import Household, User


def where(person: User, household: Household) -> str:
    return f"/household/people/{household.memberships.get(person=person).pk}/remove/"


def test_works(
    as_owner: Client, as_keeper: Client, owner: User, keeper: User, train: Train
) -> None:
    household = train.household
    acts.log(Note(train=train, text="Kasimir was here", at=train.started_at), by=keeper)
    asked = where(keeper, household)
    page = as_owner.get(asked)
    assertContains(page, "Take Kasimir out of Fern Street?")
    assert household.people.contains(keeper)  # looking changes nothing
    assertRedirects(as_owner.post(asked), "/household/", fetch_redirect_response=False)
    assert not household.people.contains(keeper)
    assertContains(as_owner.get("/household/"), "Kasimir does not belong here any more.")
    event = household.events.get()
    assert (event.by, event.says) == (owner, "Kasimir was taken out of the household")
    book = as_owner.get(f"/trains/{train.pk}/logbook/")
    assertContains(book, "Note · Kasimir")
    assert as_keeper.get(f"/trains/{train.pk}/").status_code == 404  # the open session sees it too
    assertRedirects(as_keeper.get("/"), "/households/new/")


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_needs_an_owner(
    role: str, owner: User, household: Household, request: pytest.FixtureRequest
) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    assert client.get(where(owner, household)).status_code == 403
    assert client.post(where(owner, household)).status_code == 403
    assert household.people.contains(owner)


def test_hides_from_strangers(as_stranger: Client, keeper: User, household: Household) -> None:
    assert as_stranger.get(where(keeper, household)).status_code == 404
    assert as_stranger.post(where(keeper, household)).status_code == 404
    assert household.people.contains(keeper)


def test_oneself_is_led_to_leaving(as_owner: Client, owner: User, household: Household) -> None:
    assertRedirects(as_owner.post(where(owner, household)), "/household/leave/")
    assert household.people.contains(owner)


def test_one_who_left_in_the_meantime_is_no_error(
    as_owner: Client, keeper: User, household: Household
) -> None:
    gone = where(keeper, household)
    people.leave(household.memberships.get(person=keeper))
    assert as_owner.post(gone).status_code == 404


def test_an_owner_may_take_out_another_owner(
    as_owner: Client, keeper: User, household: Household
) -> None:
    household.memberships.filter(person=keeper).update(role="owner")
    as_owner.post(where(keeper, household))
    assert not household.people.contains(keeper)
