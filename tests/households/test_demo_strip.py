"""The strip of the demo: invented is only what the demo invented."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from hobbyhydro.households.demo_person import EMAIL
from hobbyhydro.households.models import Household, Membership, User
from tests.conftest import signed_in

INVENTED = "Demo: this household is invented."
ELSEWHERE = "Demo on this machine."


@pytest.fixture
def wren(settings, db: None) -> User:
    """The demo's person, with the household that the demo invented."""
    settings.DEMO = True
    person = User.objects.create_user(EMAIL, "x")
    Household.found(owner=person, name="Heron Lane")
    return person


def strip(client: Client) -> str:
    page = client.get("/cautions/").content.decode()
    found = [words for words in (INVENTED, ELSEWHERE) if words in page]
    assert len(found) <= 1
    return found[0] if found else ""


def test_stands_over_the_invented_household(wren: User) -> None:
    assert strip(signed_in(wren)) == INVENTED


def test_a_household_of_one_s_own_is_not_invented_even_under_the_same_name(wren: User) -> None:
    other = User.objects.create_user("moss@hobbyhydro.test", "x")
    Household.found(owner=other, name="Heron Lane")
    assert strip(signed_in(other)) == ELSEWHERE


def test_a_second_household_of_the_demo_s_person_is_not_invented(wren: User) -> None:
    second = Household.found(owner=wren, name="Cellar")
    client = signed_in(wren)
    session = client.session
    session["household"] = second.pk
    session.save()
    assert strip(client) == ELSEWHERE


def test_a_guest_in_the_invented_household_is_told_so(wren: User) -> None:
    guest = User.objects.create_user("moss@hobbyhydro.test", "x")
    wren.households.get().memberships.create(person=guest, role=Membership.Role.VIEWER)
    assert strip(signed_in(guest)) == INVENTED


def test_signed_out_and_outside_the_demo(wren: User, client: Client, settings) -> None:
    assert strip(client) == ELSEWHERE
    settings.DEMO = False
    assert strip(client) == strip(signed_in(wren)) == ""


def test_costs_no_query(wren: User, settings) -> None:
    def queries() -> int:
        client = signed_in(wren)
        with CaptureQueriesContext(connection) as seen:
            client.get("/cautions/")
        return len(seen)

    in_the_demo = queries()
    settings.DEMO = False
    assert in_the_demo == queries()
