"""``/households/new/``: one more household, or the first for one who belongs nowhere."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertRedirects

from hobbyhydro.households.models import Household, User
from tests.conftest import signed_in

WHERE = "/households/new/"
GOOD = {"name": "Attic", "time_zone": "Europe/Lisbon", "currency": "EUR"}


@pytest.mark.parametrize("role", ["owner", "keeper", "viewer"])
def test_works(role: str, household: Household, request: pytest.FixtureRequest) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    person: User = request.getfixturevalue(role)
    assertContains(client.get(WHERE), "Found another household")
    assertRedirects(client.post(WHERE, GOOD), "/", fetch_redirect_response=False)
    home = person.households.get(name="Attic")
    assert (home.time_zone, home.currency) == ("Europe/Lisbon", "EUR")
    assert home.memberships.get().role == "owner"
    page = client.get("/household/")
    assertContains(page, "<h1>Attic</h1>")
    assertContains(page, "Attic is founded, and you are in it now.")
    assert household.people.contains(person)


def test_one_who_belongs_nowhere_is_led_here(db: None) -> None:
    client = signed_in(User.objects.create_user("loner@example.org", name="Lone"))
    page = client.get("/", follow=True)
    assertContains(page, "You belong to no household at present.")
    assert page.request["PATH_INFO"] == WHERE
    client.post(WHERE, GOOD)
    assertContains(client.get("/household/"), "<h1>Attic</h1>")


def test_needs_sign_in(client: Client, db: None) -> None:
    assertRedirects(client.get(WHERE), "/account/login/?next=/households/new/")
    assertRedirects(client.post(WHERE, GOOD), "/account/login/?next=/households/new/")


@pytest.mark.parametrize(
    ("field", "value"),
    [("name", ""), ("name", "x" * 81), ("time_zone", "Mars/Olympus"), ("currency", "XYZ")],
)
def test_keeps_what_was_typed_and_founds_nothing(
    as_owner: Client, household: Household, field: str, value: str
) -> None:
    page = as_owner.post(WHERE, {**GOOD, field: value})
    assert list(page.context["form"].errors) == [field]
    assertContains(page, "Attic" if field != "name" else "Europe/Lisbon")
    assert Household.objects.count() == 1
