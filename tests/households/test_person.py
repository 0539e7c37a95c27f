"""``/you/``: name, units and colours of the one who is signed in."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains, assertRedirects, assertTemplateUsed

from hobbyhydro.households.models import User

GOOD = {"name": "Vesna", "units": "metric", "theme": "dark"}


@pytest.mark.parametrize("role", ["owner", "keeper", "viewer", "stranger"])
def test_works_for_everybody_about_themselves(role: str, request: pytest.FixtureRequest) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    person: User = request.getfixturevalue(role)
    page = client.get("/you/")
    assertTemplateUsed(page, "households/person.html")
    assertContains(page, person.email)
    assertRedirects(client.post("/you/", {**GOOD, "name": role}), "/you/")
    person.refresh_from_db()
    assert (person.name, person.units, person.theme) == (role, "metric", "dark")


def test_touches_nobody_else(as_viewer: Client, owner: User) -> None:
    as_viewer.post("/you/", {**GOOD, "pk": owner.pk, "email": "taken@example.org"})
    owner.refresh_from_db()
    assert (owner.name, owner.units, owner.email) == ("Odile", "us", "owner@example.org")


def test_sends_the_signed_out_to_sign_in(client: Client, db: None) -> None:
    assertRedirects(client.get("/you/"), "/account/login/?next=/you/")
    assertRedirects(client.post("/you/", GOOD), "/account/login/?next=/you/")


@pytest.mark.parametrize(
    ("field", "value"), [("units", "imperial"), ("theme", "pink"), ("name", "x" * 81)]
)
def test_keeps_what_was_typed_and_saves_nothing(
    as_owner: Client, owner: User, field: str, value: str
) -> None:
    page = as_owner.post("/you/", {**GOOD, "name": "Typed", field: value})
    assert page.status_code == 200
    assert field in page.context["form"].errors
    assertContains(page, value if field == "name" else "Typed")
    owner.refresh_from_db()
    assert (owner.name, owner.units, owner.theme) == ("Odile", "us", "auto")


def test_the_colours_chosen_stand_on_the_page(as_owner: Client, owner: User) -> None:
    assertContains(as_owner.get("/you/"), '<html lang="en" data-theme="auto"')
    as_owner.post("/you/", GOOD)
    assertContains(as_owner.get("/you/"), '<html lang="en" data-theme="dark" data-bs-theme="dark"')


@pytest.mark.parametrize("method", ["put", "delete", "patch"])
def test_takes_nothing_but_get_and_post(as_owner: Client, method: str) -> None:
    assert getattr(as_owner, method)("/you/").status_code == 405
