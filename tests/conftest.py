"""People and a train that most tests start from."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.test import Client

from hobbyhydro.households.models import Household, Membership, User

PASSWORD = "a drip a second"


@pytest.fixture(autouse=True)
def fast_password_hash(settings: pytest.FixtureRequest) -> None:
    """Signing in is not what most tests measure."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


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
def as_keeper(keeper: User) -> Iterator[Client]:
    """A client signed in as the keeper."""
    yield signed_in(keeper)
