"""Signing in and out, and what the demo shows beside it."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django import Settings
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households import demo_person
from hobbyhydro.households.models import Household, User
from tests.conftest import PASSWORD


@pytest.fixture
def demo(db: None) -> User:
    person = User.objects.create_user(demo_person.EMAIL, demo_person.PASSWORD, name="Demo")
    Household.found(owner=person)
    return person


def test_works(client: Client, owner: User) -> None:
    answer = client.post("/account/login/", {"login": owner.email, "password": PASSWORD})
    assertRedirects(answer, "/", fetch_redirect_response=False)
    assertContains(client.get("/you/"), owner.email)


def test_goes_on_to_the_page_that_was_wanted(client: Client, owner: User) -> None:
    page = client.get("/account/login/?next=/household/")
    assertContains(page, 'name="next" value="/household/"')
    data = {"login": owner.email, "password": PASSWORD, "next": "/household/"}
    assertRedirects(client.post("/account/login/", data), "/household/")


def test_goes_nowhere_else(client: Client, owner: User) -> None:
    data = {"login": owner.email, "password": PASSWORD, "next": "https://elsewhere.example/"}
    assertRedirects(client.post("/account/login/", data), "/", fetch_redirect_response=False)


@pytest.mark.parametrize("email", ["owner@example.org", "nobody@example.org"])
def test_a_wrong_password_tells_nothing_about_the_address(
    client: Client, owner: User, email: str
) -> None:
    page = client.post("/account/login/", {"login": email, "password": "wrong"})
    assertContains(page, "not correct")
    assertContains(page, f'value="{email}"')


def test_signing_out_asks_first(as_owner: Client) -> None:
    assertContains(as_owner.get("/account/logout/"), "What you have logged stays")
    assertContains(as_owner.get("/you/"), "owner@example.org")
    assertRedirects(as_owner.post("/account/logout/"), "/", fetch_redirect_response=False)
    assert as_owner.get("/you/").status_code == 302


def test_the_demo_says_how_to_sign_in(client: Client, demo: User) -> None:
    page = client.get("/account/login/")
    assertContains(page, demo_person.EMAIL)
    assertContains(page, demo_person.PASSWORD)
    data = {"login": demo_person.EMAIL, "password": demo_person.PASSWORD}
    assert client.post("/account/login/", data).status_code == 302


def test_a_demo_whose_person_is_gone_says_nothing(client: Client, db: None) -> None:
    assertNotContains(client.get("/account/login/"), demo_person.PASSWORD)


def test_outside_the_demo_nothing_is_said(client: Client, demo: User, settings: Settings) -> None:
    settings.DEMO = False
    page = client.get("/account/login/")
    assertNotContains(page, demo_person.EMAIL)
    assertNotContains(page, demo_person.PASSWORD)
