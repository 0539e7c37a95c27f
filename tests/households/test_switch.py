"""One person in several households: switching, and being moved by an address."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from cartridges.models import Note, Train
from hobbyhydro.households.models import Household, Membership, User
from tests.cartridges.by_hand import shown
from tests.conftest import signed_in
from tests.trains import build_train


@pytest.fixture
def attic(owner: User) -> Household:
    """A second household of the owner's, founded later, where they are a viewer."""
    other = User.objects.create_user("other@example.org", name="Otis")
    home = Household.found(owner=other, name="Attic", time_zone="Pacific/Auckland")
    home.memberships.create(person=owner, role=Membership.Role.VIEWER)
    return home


@pytest.fixture
def attic_train(attic: Household) -> Train:
    other = attic.memberships.get(role=Membership.Role.OWNER).person
    return build_train(attic, other, name="Attic drip")


def where(household: Household) -> str:
    return f"/households/{household.pk}/switch/"


def test_works(as_owner: Client, household: Household, attic: Household) -> None:
    assertContains(as_owner.get("/household/"), "<h1>Fern Street</h1>")
    assertContains(as_owner.get("/household/"), f'action="{where(attic)}"')
    assertRedirects(as_owner.post(where(attic)), "/", fetch_redirect_response=False)
    page = as_owner.get("/household/")
    assertContains(page, "You are in Attic now.")
    assertContains(page, "<h1>Attic</h1>")
    assertContains(page, f'action="{where(household)}"')
    assert page.context["membership"].role == "viewer"


def test_one_with_a_single_household_is_offered_no_other(as_keeper: Client) -> None:
    page = as_keeper.get("/household/")
    assertNotContains(page, "/switch/")
    assertContains(page, "This is the only one you belong to.")


def test_hides_from_strangers(as_stranger: Client, household: Household, attic: Household) -> None:
    assert as_stranger.post(where(household)).status_code == 404
    assertContains(as_stranger.get("/household/"), "<h1>Elsewhere</h1>")


def test_rejects_get(as_owner: Client, attic: Household) -> None:
    assert as_owner.get(where(attic)).status_code == 405


def test_needs_sign_in(client: Client, household: Household) -> None:
    assert client.post(where(household)).headers["Location"].startswith("/account/login/")


def test_lasts_for_the_session_and_no_longer_than_the_place(
    as_owner: Client, owner: User, attic: Household
) -> None:
    as_owner.post(where(attic))
    for _ in range(2):
        assertContains(as_owner.get("/household/"), "<h1>Attic</h1>")
    attic.memberships.filter(person=owner).delete()
    assertContains(as_owner.get("/household/"), "<h1>Fern Street</h1>")


def test_an_address_of_ones_other_household_moves_one_there(
    as_owner: Client, train: Train, attic_train: Train
) -> None:
    page = as_owner.get(f"/trains/{attic_train.pk}/")
    assertContains(page, "This belongs to Attic, so that is where you are now.")
    assertContains(page, "Attic drip")
    assertNotContains(page, "Basement drip")
    assertContains(as_owner.get("/household/"), "<h1>Attic</h1>")
    page = as_owner.get(f"/trains/{train.pk}/logbook/")
    assertContains(page, "This belongs to Fern Street, so that is where you are now.")
    assertContains(as_owner.get("/household/"), "<h1>Fern Street</h1>")


def test_no_message_where_one_stands_already(as_owner: Client, train: Train, attic: Train) -> None:
    assertNotContains(as_owner.get(f"/trains/{train.pk}/"), "where you are now")


def test_a_form_left_open_writes_where_it_belongs(
    as_owner: Client, train: Train, attic: Household
) -> None:
    """A form of Fern Street is still open in one tab while the other tab went to the attic."""
    log = reverse("log-fact", args=[train.pk, "note"])
    typed = shown(as_owner, log) | {"text": "dripping"}
    as_owner.post(where(attic))
    answer = as_owner.post(log, typed)
    assertRedirects(answer, f"/trains/{train.pk}/", fetch_redirect_response=False)
    assert Note.objects.get().train == train
    page = as_owner.get("/household/")
    assertContains(page, "This belongs to Fern Street, so that is where you are now.")
    assertContains(page, "<h1>Fern Street</h1>")


def test_one_who_may_only_see_there_writes_nothing_there(
    as_owner: Client, train: Train, attic_train: Train
) -> None:
    """An owner here is not one there."""
    log = reverse("log-fact", args=[attic_train.pk, "note"])
    assert as_owner.get(log).status_code == 403
    assert as_owner.post(log, {"text": "x", "at": "2026-01-01T10:00"}).status_code == 403
    assert not Note.objects.exists()


def test_strangers_and_members_of_one_are_told_nothing(
    as_keeper: Client, as_stranger: Client, train: Train, attic_train: Train
) -> None:
    lost = as_stranger.get("/trains/987654321/")
    for client in (as_keeper, as_stranger):
        answer = client.get(f"/trains/{attic_train.pk}/")
        assert answer.status_code == lost.status_code == 404
        assertNotContains(answer, "Attic", status_code=404)


def test_days_are_those_of_the_household_one_was_moved_to(
    as_owner: Client, attic_train: Train, attic: Household
) -> None:
    page = as_owner.get(f"/trains/{attic_train.pk}/log/")
    assert page.status_code == 403
    page = as_owner.get(f"/trains/{attic_train.pk}/logbook/csv/")
    assert "When (Pacific/Auckland)" in page.content.decode()


def test_more_households_cost_no_more_queries(owner: User, household: Household) -> None:
    client = signed_in(owner)

    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            client.get("/household/")
        return len(seen)

    few = queries()
    for k in range(12):
        home = Household.found(owner=User.objects.create_user(f"o{k}@example.org"), name=f"H{k}")
        home.memberships.create(person=owner)
    assert queries() == few <= 12
    assertContains(client.get("/household/"), "H11")
