"""Signing up: a person, a household of their own, and their own time zone."""

from __future__ import annotations

from typing import Any

import pytest
from django.core import mail
from django.test import Client
from pytest_django.asserts import assertContains, assertRedirects

from hobbyhydro.households.models import Household, Membership, User

GOOD = {
    "name": "Ines",
    "email": "ines@example.org",
    "password1": "nine wet slates",
    "password2": "nine wet slates",
    "units": "metric",
    "device_zone": "Europe/Lisbon",
}


def sign_up(client: Client, **changes: str) -> Any:
    return client.post("/account/signup/", {**GOOD, **changes})


def test_works_without_a_mail_server(client: Client, db: None) -> None:
    assertContains(client.get("/account/signup/"), "data-device-zone")
    assertRedirects(sign_up(client), "/", fetch_redirect_response=False)
    person = User.objects.get()
    household = person.households.get()
    assert (person.name, person.email, person.units) == ("Ines", "ines@example.org", "metric")
    assert (household.name, household.time_zone) == ("Ines’s household", "Europe/Lisbon")
    assert person.memberships.get().role == Membership.Role.OWNER
    assert mail.outbox == []


def test_founds_exactly_one_household(client: Client, db: None) -> None:
    sign_up(client)
    assert Household.objects.count() == 1
    assert Membership.objects.count() == 1


def test_signs_in_at_once(client: Client, db: None) -> None:
    sign_up(client)
    assertContains(client.get("/household/"), "Ines’s household")


@pytest.mark.parametrize("zone", ["", "Mars/Olympus", "../../etc/passwd"])
def test_a_zone_we_do_not_know_becomes_utc_and_stops_nobody(
    client: Client, db: None, zone: str
) -> None:
    sign_up(client, device_zone=zone)
    assert Household.objects.get().time_zone == "UTC"


def test_a_name_may_be_left_out(client: Client, db: None) -> None:
    sign_up(client, name="", units="")
    assert Household.objects.get().name == "ines’s household"
    assert User.objects.get().units == "us"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("email", "not an address"),
        ("password2", "something else"),
        ("password1", "short"),
        ("units", "imperial"),
        ("name", "x" * 81),
    ],
)
def test_keeps_what_was_typed_and_founds_nothing(
    client: Client, db: None, field: str, value: str
) -> None:
    page = sign_up(client, **{field: value})
    assert page.status_code == 200
    assert page.context["form"].errors
    assertContains(page, value if field in ("email", "name") else "ines@example.org")
    assert not User.objects.exists()
    assert not Household.objects.exists()


def test_a_second_sign_up_with_one_address_founds_nothing(client: Client, db: None) -> None:
    sign_up(client)
    client.logout()
    sign_up(client, name="Somebody")
    assert User.objects.get().name == "Ines"
    assert Household.objects.count() == 1


def test_a_person_made_by_hand_can_be_given_a_household(db: None) -> None:
    person = User.objects.create_user("made@example.org")
    household = Household.found(owner=person, name="By hand")
    assert household.memberships.get().person == person


def test_nobody_is_made_without_an_address(db: None) -> None:
    with pytest.raises(ValueError, match="needs an email"):
        User.objects.create_user("")
