"""The main links: where they lead, where one stands, and what they cost."""

from __future__ import annotations

from typing import Any

import pytest
from django.template import Context
from django.test import Client
from django.urls import reverse
from pytest_django.asserts import assertContains, assertNotContains

from cartridges.models import Train
from hobbyhydro.households.models import User
from hobbyhydro.households.templatetags import navigation


def test_leads_to_the_train_and_what_belongs_to_it(train: Train, as_viewer: Client) -> None:
    page = as_viewer.get("/household/")
    for name in ("log", "logbook", "stages", "train-settings"):
        assertContains(page, f'href="{reverse(name, args=[train.pk])}"')
    assertContains(page, f'href="{reverse("source", args=[train.source_id])}"')
    for name in ("shelf", "household", "person", "cautions", "account_logout"):
        assertContains(page, f'href="{reverse(name)}"')


def test_one_without_a_train_is_not_sent_to_one(as_owner: Client) -> None:
    page = as_owner.get("/household/")
    assertNotContains(page, "/trains/")
    assertNotContains(page, "/water/")
    assertContains(page, f'href="{reverse("shelf")}"')


def test_a_stranger_is_never_led_to_it(train: Train, as_stranger: Client) -> None:
    assertNotContains(as_stranger.get("/household/"), f"/trains/{train.pk}/")


def test_the_signed_out_are_led_to_sign_in(client: Client, db: None) -> None:
    page = client.get("/cautions/")
    assertNotContains(page, 'aria-label="Main"')
    assertContains(page, f'href="{reverse("account_signup")}"')


@pytest.mark.parametrize(
    ("name", "words"), [("logbook", "Logbook"), ("log", "Log"), ("home", "Home")]
)
def test_says_where_one_stands(train: Train, as_owner: Client, name: str, words: str) -> None:
    path = reverse(name, args=[] if name == "home" else [train.pk])
    page = as_owner.get(path).content.decode()
    assert page.count('aria-current="page"') >= 1
    link = page[page.index('aria-current="page"') :]
    assert words in link[: link.index("</a>")]


def test_costs_nothing_where_the_page_has_its_train(
    train: Train, owner: User, django_assert_num_queries: Any
) -> None:
    place = owner.memberships.select_related("household").get()
    with django_assert_num_queries(0):
        assert navigation.way_train(Context({"train": train, "membership": place})) == train
    with django_assert_num_queries(1):
        assert navigation.way_train(Context({"membership": place})) == train
    with django_assert_num_queries(0):
        assert navigation.way_train(Context({"membership": None})) is None


@pytest.mark.parametrize("path", ["/you/", "/household/"])
def test_our_pages_keep_to_their_budget(
    train: Train, as_owner: Client, path: str, django_assert_max_num_queries: Any
) -> None:
    with django_assert_max_num_queries(12):
        as_owner.get(path)


def test_the_keyboard_reaches_the_page_first(as_owner: Client) -> None:
    page = as_owner.get("/you/").content.decode()
    assert page.index('class="skip-link" href="#main"') < page.index("<header")
    assert '<main id="main"' in page


def test_a_visitor_is_told_the_whole_job(client: Client, db: None) -> None:
    page = client.get("/")
    for words in (
        "works out when each filter cartridge",
        "An estimate never replaces a test",
        "A drawing, not data",
    ):
        assertContains(page, words)
    assertContains(page, f'href="{reverse("account_signup")}"')
