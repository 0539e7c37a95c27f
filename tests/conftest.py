"""People and a train that most tests start from."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import Train
from hobbyhydro.households.models import Household, Membership, User

from .trains import build_train

pytest_plugins = ["tests.no_skips"]

PASSWORD = "a drip a second"


@pytest.fixture
def household(db: None) -> Household:
    """The household under test, founded by its owner."""
    owner = User.objects.create_user("owner@example.org", PASSWORD, name="Odile")
    return Household.found(owner=owner, name="Fern Street")


@pytest.fixture
def owner(household: Household) -> User:
    """May see, log, change the household and its people."""
    return household.memberships.get(role=Membership.Role.OWNER).person


@pytest.fixture
def keeper(household: Household) -> User:
    """May see and log; may not govern the household."""
    person = User.objects.create_user("keeper@example.org", PASSWORD, name="Kasimir")
    household.memberships.create(person=person, role=Membership.Role.KEEPER)
    return person


@pytest.fixture
def viewer(household: Household) -> User:
    """May see; every attempt to write is refused with 403."""
    person = User.objects.create_user("viewer@example.org", PASSWORD, name="Vesna")
    household.memberships.create(person=person, role=Membership.Role.VIEWER)
    return person


@pytest.fixture
def stranger(db: None) -> User:
    """Owner of a household of their own; everything of ours is 404 to them."""
    person = User.objects.create_user("stranger@example.org", PASSWORD, name="Sune")
    Household.found(owner=person, name="Elsewhere")
    return person


def signed_in(person: User) -> Client:
    """A client in which this person is signed in."""
    client = Client()
    client.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def as_owner(owner: User) -> Client:
    return signed_in(owner)


@pytest.fixture
def as_keeper(keeper: User) -> Client:
    return signed_in(keeper)


@pytest.fixture
def as_viewer(viewer: User) -> Client:
    return signed_in(viewer)


@pytest.fixture
def as_stranger(stranger: User) -> Client:
    return signed_in(stranger)


@pytest.fixture
def train(household: Household, owner: User) -> Train:
    """Sediment, carbon block, catalytic carbon: sixty days at work on a drip of 50 gal/day."""
    return build_train(household, owner)
