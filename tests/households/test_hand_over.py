"""``/household/hand-over/``: somebody else owns the household in one's place."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households import people
from hobbyhydro.households.models import Household, User

WHERE = "/household/hand-over/"


def to(person: User, household: Household) -> int:
    return household.memberships.get(person=person).pk


def roles(household: Household) -> dict[str, str]:
    return {str(p.person): p.role for p in household.memberships.select_related("person")}


@pytest.mark.parametrize(
    ("then", "left", "says"),
    [
        ("keeper", {"Odile": "keeper"}, "Odile handed over to Kasimir and stays as a keeper"),
        ("viewer", {"Odile": "viewer"}, "Odile handed over to Kasimir and stays as a viewer"),
        ("gone", {}, "Odile handed over to Kasimir and left"),
    ],
)
def test_works(
    as_owner: Client,
    owner: User,
    keeper: User,
    household: Household,
    then: str,
    left: dict[str, str],
    says: str,
) -> None:
    assertContains(as_owner.get(WHERE), "Kasimir (keeper)")
    answer = as_owner.post(WHERE, {"to": to(keeper, household), "then": then})
    way = "/" if then == "gone" else "/household/"
    assertRedirects(answer, way, fetch_redirect_response=False)
    assert roles(household) == {"Kasimir": "owner", **left}
    event = household.events.get()
    assert (event.by, event.says) == (owner, says)


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_needs_an_owner(
    role: str, owner: User, household: Household, request: pytest.FixtureRequest
) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    person: User = request.getfixturevalue(role)
    assert client.get(WHERE).status_code == 403
    typed = {"to": to(person, household), "then": "gone"}
    assert client.post(WHERE, typed).status_code == 403
    assert roles(household)["Odile"] == "owner"


def test_keeps_what_was_typed(
    as_owner: Client, keeper: User, viewer: User, household: Household
) -> None:
    page = as_owner.post(WHERE, {"to": "", "then": "viewer"})
    assertContains(page, "Who should it be?")
    assert page.context["form"]["then"].value() == "viewer"
    page = as_owner.post(WHERE, {"to": to(viewer, household), "then": "king"})
    assertContains(page, f'value="{to(viewer, household)}" selected')
    assert roles(household) == {"Odile": "owner", "Kasimir": "keeper", "Vesna": "viewer"}


def test_nobody_from_elsewhere_can_be_chosen(
    as_owner: Client, owner: User, keeper: User, stranger: User, household: Household
) -> None:
    elsewhere = stranger.households.get()
    assertNotContains(as_owner.get(WHERE), "Sune")
    for place in (to(stranger, elsewhere), to(owner, household)):
        page = as_owner.post(WHERE, {"to": place, "then": "keeper"})
        assert list(page.context["form"].errors) == ["to"]
    assert roles(household) == {"Odile": "owner", "Kasimir": "keeper"}


def test_the_service_refuses_them_as_well(
    owner: User, keeper: User, stranger: User, household: Household
) -> None:
    mine = household.memberships.get(person=owner)
    for other in (mine, stranger.memberships.get()):
        with pytest.raises(people.PeopleError, match="somebody else of this household"):
            people.hand_over(mine, to=other, then="gone")
    assert roles(household)["Odile"] == "owner"


def test_one_who_left_in_the_meantime_cannot_take_it(
    as_owner: Client, keeper: User, household: Household
) -> None:
    place = household.memberships.get(person=keeper)
    typed = {"to": place.pk, "then": "gone"}
    people.leave(place)
    page = as_owner.post(WHERE, typed)
    assert list(page.context["form"].errors) == ["to"]
    assert roles(household) == {"Odile": "owner"}
