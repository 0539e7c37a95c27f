"""The menu of what can be logged."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import MeterReading, Note, Train
from cartridges.services import acts
from hobbyhydro.households.models import User

from .by_hand import address, ago


def where(train: Train) -> str:
    return reverse("log", args=[train.pk])


def test_menu_works(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(where(train)).content.decode()
    for kind in ("swap", "outlet-test", "source-test", "shut-off", "note", "rotation"):
        assert f'href="{address(train, kind)}"' in page
    assert f'action="{address(train, "meter-reading")}"' in page


def test_menu_needs_sign_in(client: Client, train: Train) -> None:
    assert client.get(where(train)).status_code == 302


def test_menu_needs_keeper(as_viewer: Client, train: Train) -> None:
    assert as_viewer.get(where(train)).status_code == 403


def test_menu_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(where(train)).status_code == 404


def test_menu_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(where(train)).status_code == 405


def test_menu_puts_the_most_used_first(as_keeper: Client, train: Train, owner: User) -> None:
    for k in range(5):
        acts.log(Note(train=train, text=f"note {k}", at=ago(days=k + 1)), by=owner)
    tiles = [t["act"].kind for t in as_keeper.get(where(train)).context["tiles"]]
    assert tiles[0] == "note"


def test_menu_does_not_count_what_was_undone(as_keeper: Client, train: Train, owner: User) -> None:
    for k in range(5):
        note = acts.log(Note(train=train, text=f"note {k}", at=ago(days=k + 1)), by=owner)
        acts.undo(note, by=owner)
    tiles = [t["act"].kind for t in as_keeper.get(where(train)).context["tiles"]]
    assert tiles[0] != "note"


@pytest.mark.parametrize("is_off", [True, False])
def test_menu_offers_what_can_happen_next(
    as_keeper: Client, train: Train, owner: User, is_off: bool
) -> None:
    if is_off:
        acts.shut_off(train=train, at=ago(days=1), by=owner)
    kinds = {t["act"].kind for t in as_keeper.get(where(train)).context["tiles"]}
    assert ("turn-on" in kinds, "shut-off" in kinds) == (is_off, not is_off)


def test_menu_queries_do_not_grow(
    as_keeper: Client, train: Train, owner: User, django_assert_max_num_queries: object
) -> None:
    meter = train.meters.get()
    MeterReading.objects.bulk_create(
        MeterReading(
            train=train,
            meter=meter,
            at=timezone.now() - dt.timedelta(minutes=k + 1),
            reading_l=1e5 - k,
        )
        for k in range(500)
    )
    with django_assert_max_num_queries(14):  # type: ignore[operator]  # a pytest fixture
        as_keeper.get(where(train))
