"""The page about the calendar: an address made, shown once, made anew, stopped."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse

from hobbyhydro.households.models import Household, User
from schedule.models import FeedToken
from schedule.services import feed_address

from .feeds import Agenda, told

__all__ = ["told"]
WHERE = "/calendar/"
ROTATE = reverse("calendar-rotate")
STOP = reverse("calendar-stop")


def make(client: Client) -> tuple[str, str]:
    """A new address: the page that shows it, and its path."""
    answer = client.post(ROTATE)
    assert answer.status_code == 200 and "no-store" in answer["Cache-Control"]
    page = answer.content.decode()
    found = re.search(r">http://testserver(/calendar/[\w-]+\.ics)</textarea>", page)
    assert found is not None
    return page, found[1]


def test_works(as_keeper: Client, household: Household) -> None:
    page = as_keeper.get(WHERE).content.decode()
    assert "No address yet" in page and "Make my address" in page


def test_the_address_works_and_is_shown_once(as_keeper: Client, told: Agenda, keeper: User) -> None:
    page, path = make(as_keeper)
    assert f'href="webcal://testserver{path}"' in page
    assert Client().get(path).status_code == 200
    later = as_keeper.get(WHERE).content.decode()
    assert path not in later and "In use" in later and "Last read" in later


def test_a_new_address_puts_the_old_one_out_of_use(as_keeper: Client, told: Agenda) -> None:
    _, old = make(as_keeper)
    _, new = make(as_keeper)
    assert (Client().get(old).status_code, Client().get(new).status_code) == (404, 200)


def test_stop_works(as_keeper: Client, told: Agenda) -> None:
    _, path = make(as_keeper)
    page = as_keeper.post(STOP, follow=True).content.decode()
    assert "out of use" in page and "No address yet" in page
    assert Client().get(path).status_code == 404


def test_each_person_has_an_address_of_their_own(
    as_keeper: Client, as_owner: Client, told: Agenda
) -> None:
    _, keepers = make(as_keeper)
    _, owners = make(as_owner)
    as_owner.post(STOP)
    assert (Client().get(keepers).status_code, Client().get(owners).status_code) == (200, 404)


def test_viewer_may_have_one(as_viewer: Client, told: Agenda) -> None:
    _, path = make(as_viewer)
    assert Client().get(path).status_code == 200


def test_in_another_household_it_is_another_address(
    as_keeper: Client, told: Agenda, keeper: User, household: Household
) -> None:
    second = Household.found(owner=keeper, name="Cabin")
    make(as_keeper)
    assert FeedToken.objects.get().membership.household == household
    assert feed_address.live(second.memberships.get()) is None


@pytest.mark.parametrize("where", [ROTATE, STOP])
def test_rejects_get(as_keeper: Client, where: str) -> None:
    assert as_keeper.get(where).status_code == 405
    assert not FeedToken.objects.exists()


@pytest.mark.parametrize("where", [WHERE, ROTATE, STOP])
def test_needs_sign_in(db: None, where: str) -> None:
    answer = Client().post(where) if where != WHERE else Client().get(where)
    assert answer.headers["Location"].startswith("/account/login/")
