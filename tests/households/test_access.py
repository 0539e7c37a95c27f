"""The only door: strangers are told nothing, viewers may look, keepers write, owners govern."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest
from django.test import RequestFactory
from django.utils import timezone

from cartridges.models import Source, Stage, Train
from hobbyhydro.households import access
from hobbyhydro.households.access import To
from hobbyhydro.households.middleware import SESSION_KEY, HouseholdMiddleware
from hobbyhydro.households.models import Household, Membership, User


def asked_by(person: User | AnonymousUser, session: dict[str, int] | None = None) -> HttpRequest:
    """A request as a view gets it: with its person and the place that the middleware finds."""
    request = RequestFactory().get("/")
    request.user = person
    request.session = {} if session is None else session  # type: ignore[assignment]  # a plain mapping does here
    HouseholdMiddleware.place(request)
    return request


@pytest.fixture
def source(household: Household) -> Source:
    return Source.objects.create(household=household)


@pytest.fixture
def elsewhere(stranger: User) -> Source:
    return Source.objects.create(household=stranger.households.get())


@pytest.mark.parametrize("role", ["owner", "keeper", "viewer"])
def test_everybody_of_the_household_sees(
    role: str, source: Source, request: pytest.FixtureRequest
) -> None:
    person = request.getfixturevalue(role)
    assert access.get(asked_by(person), Source, source.pk) == source


@pytest.mark.parametrize("to", list(To))
def test_a_stranger_gets_404_whatever_they_want(source: Source, stranger: User, to: To) -> None:
    with pytest.raises(Http404):
        access.get(asked_by(stranger), Source, source.pk, to=to)


@pytest.mark.parametrize("to", list(To))
def test_nobody_signed_in_gets_404(source: Source, to: To) -> None:
    with pytest.raises(Http404):
        access.get(asked_by(AnonymousUser()), Source, source.pk, to=to)


def test_a_viewer_of_ours_gets_404_not_403_for_what_is_elsewhere(
    viewer: User, elsewhere: Source
) -> None:
    with pytest.raises(Http404):
        access.get(asked_by(viewer), Source, elsewhere.pk, to=To.WRITE)


@pytest.mark.parametrize(
    ("role", "allowed"),
    [
        ("owner", {To.SEE, To.WRITE, To.GOVERN}),
        ("keeper", {To.SEE, To.WRITE}),
        ("viewer", {To.SEE}),
    ],
)
def test_what_each_role_may_do(
    role: str, allowed: set[To], source: Source, request: pytest.FixtureRequest
) -> None:
    asked = asked_by(request.getfixturevalue(role))
    for to in To:
        if to in allowed:
            assert access.get(asked, Source, source.pk, to=to) == source
            assert access.household(asked, to=to) == source.household
        else:
            with pytest.raises(PermissionDenied) as refused:
                access.get(asked, Source, source.pk, to=to)
            assert str(refused.value).startswith(("You can see", "Only an owner"))
            with pytest.raises(PermissionDenied):
                access.household(asked, to=to)


def test_an_object_that_is_not_there_is_404(owner: User) -> None:
    with pytest.raises(Http404):
        access.get(asked_by(owner), Source, 987_654)


def test_listed_leaves_other_households_out(
    keeper: User, source: Source, elsewhere: Source
) -> None:
    assert list(access.listed(asked_by(keeper), Source)) == [source]
    assert list(access.listed(asked_by(keeper), Source.objects.filter(pk=elsewhere.pk))) == []


def test_the_path_to_the_household_may_be_long(
    keeper: User, stranger: User, household: Household, source: Source
) -> None:
    train = Train.objects.create(
        household=household, source=source, started_at=household.created_at
    )
    stage = Stage.objects.create(train=train, position=1, kind="sediment")
    assert access.get(asked_by(keeper), Stage, stage.pk) == stage
    with pytest.raises(Http404):
        access.get(asked_by(stranger), Stage, stage.pk)


def test_a_model_that_names_no_household_cannot_be_reached(owner: User) -> None:
    with pytest.raises(TypeError, match="User does not say which household"):
        access.get(asked_by(owner), User, owner.pk)


def test_person_is_the_signed_in_one(owner: User) -> None:
    assert access.person(asked_by(owner)) == owner
    with pytest.raises(Http404):
        access.person(asked_by(AnonymousUser()))


def test_one_who_belongs_nowhere_gets_404(db: None) -> None:
    loner = User.objects.create_user("loner@example.org", "a drip a second")
    with pytest.raises(Http404):
        access.membership(asked_by(loner))


def test_one_with_two_households_stands_in_the_one_they_chose(
    owner: User, household: Household, source: Source, elsewhere: Source
) -> None:
    elsewhere.household.memberships.create(person=owner, role=Membership.Role.VIEWER)
    assert access.household(asked_by(owner)) == household
    there = asked_by(owner, {SESSION_KEY: elsewhere.household_id})
    assert access.household(there) == elsewhere.household
    assert access.get(there, Source, elsewhere.pk) == elsewhere
    with pytest.raises(PermissionDenied):
        access.get(there, Source, elsewhere.pk, to=To.WRITE)


def test_what_belongs_to_another_of_ones_own_moves_one_there(
    owner: User, household: Household, source: Source, elsewhere: Source
) -> None:
    elsewhere.household.time_zone = "Pacific/Auckland"
    elsewhere.household.save()
    elsewhere.household.memberships.create(person=owner, role=Membership.Role.VIEWER)
    session: dict[str, int] = {}
    asked = asked_by(owner, session)
    with timezone.override("UTC"):
        assert access.get(asked, Source, elsewhere.pk) == elsewhere
        assert timezone.get_current_timezone_name() == "Pacific/Auckland"
    assert session == {SESSION_KEY: elsewhere.household_id}
    assert access.household(asked) == elsewhere.household
    assert list(access.listed(asked, Source)) == [elsewhere]


def test_one_is_moved_with_the_role_that_one_has_there(
    owner: User, household: Household, elsewhere: Source
) -> None:
    """An owner here, a viewer there: what belongs there can be seen and no more."""
    elsewhere.household.memberships.create(person=owner, role=Membership.Role.VIEWER)
    with pytest.raises(PermissionDenied):
        access.get(asked_by(owner), Source, elsewhere.pk, to=To.WRITE)


@pytest.mark.parametrize("first", ["get", "household", "listed"])
def test_one_request_reaches_one_household_only(
    first: str, owner: User, household: Household, source: Source, elsewhere: Source
) -> None:
    elsewhere.household.memberships.create(person=owner, role=Membership.Role.OWNER)
    asked = asked_by(owner)
    if first == "get":
        access.get(asked, Source, source.pk)
    elif first == "household":
        access.household(asked)
    else:
        access.listed(asked, Source)
    with pytest.raises(Http404):
        access.get(asked, Source, elsewhere.pk)
    assert access.membership(asked).household == household


def test_one_who_was_moved_is_not_moved_back_within_the_request(
    owner: User, source: Source, elsewhere: Source
) -> None:
    elsewhere.household.memberships.create(person=owner, role=Membership.Role.OWNER)
    asked = asked_by(owner)
    access.get(asked, Source, elsewhere.pk)
    with pytest.raises(Http404):
        access.get(asked, Source, source.pk)


def test_several_households_open_no_door_to_a_further_one(
    owner: User, stranger: User, household: Household, elsewhere: Source
) -> None:
    """Two households of one's own; a third is as closed as ever, and one stays where one was."""
    Household.found(owner=owner, name="Second")
    session: dict[str, int] = {}
    asked = asked_by(owner, session)
    with pytest.raises(Http404):
        access.get(asked, Source, elsewhere.pk)
    assert session == {}
    assert access.membership(asked).household == household


def test_a_choice_of_a_household_one_does_not_belong_to_counts_for_nothing(
    owner: User, household: Household, elsewhere: Source
) -> None:
    asked = asked_by(owner, {SESSION_KEY: elsewhere.household_id})
    assert access.household(asked) == household
