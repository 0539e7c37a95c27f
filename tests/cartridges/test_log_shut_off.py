"""Water off and on."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Shutoff, Train

from .by_hand import address, ago, clock, errors, messages, send


def off(client: Client, train: Train, **typed: object) -> object:
    return send(client, address(train, "shut-off"), **typed)


def test_shut_off_works(as_keeper: Client, train: Train) -> None:
    response = off(as_keeper, train, at=ago(days=5), until=ago(days=3))
    assert "Water off for 2.0 days" in messages(as_keeper, response)
    row = Shutoff.objects.get()
    assert (row.at, row.until) == (ago(days=5), ago(days=3))


def test_shut_off_that_lasts(as_keeper: Client, train: Train) -> None:
    assert "Water off" in messages(as_keeper, off(as_keeper, train, at=ago(days=1)))
    assert Shutoff.objects.get().until is None


@pytest.mark.parametrize(
    ("start", "end", "field"),
    [
        (9, 7, "at"),  # reaches into it
        (5, 1, "at"),  # begins inside
        (6, 5, "at"),  # inside
        (9, 1, "at"),  # around it
        (9, None, "until"),  # still off, though it came on again in between
        (5, None, "at"),
    ],
)
def test_overlapping_shut_offs_are_refused(
    as_keeper: Client, train: Train, start: int, end: int | None, field: str
) -> None:
    off(as_keeper, train, at=ago(days=8), until=ago(days=4))
    until = "" if end is None else clock(ago(days=end))
    response = off(as_keeper, train, at=ago(days=start), until=until)
    assert "already" in errors(response)[field][0]
    assert response.context["form"]["until"].value() == until
    assert Shutoff.objects.count() == 1


@pytest.mark.parametrize(("start", "end"), [(10, 8), (4, 2)])
def test_shut_offs_may_touch(as_keeper: Client, train: Train, start: int, end: int) -> None:
    off(as_keeper, train, at=ago(days=8), until=ago(days=4))
    assert off(as_keeper, train, at=ago(days=start), until=ago(days=end)).status_code == 302


def test_shut_off_while_off_is_refused(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=2))
    assert "is off since" in errors(off(as_keeper, train, at=ago(days=1)))["at"][0]


def test_the_same_shut_off_is_kept_once(as_keeper: Client, train: Train) -> None:
    at = ago(days=2)
    off(as_keeper, train, at=at)
    assert "Already logged" in messages(as_keeper, off(as_keeper, train, at=at))
    assert Shutoff.objects.count() == 1


@pytest.mark.parametrize("end", [5, 6])
def test_on_before_off_is_refused(as_keeper: Client, train: Train, end: int) -> None:
    response = off(as_keeper, train, at=ago(days=5), until=ago(days=end))
    assert "came on again before" in errors(response)["until"][0]


def test_on_again_in_the_future_is_refused(as_keeper: Client, train: Train) -> None:
    response = off(as_keeper, train, at=ago(days=5), until=ago(days=-1))
    assert "in the future" in errors(response)["until"][0]


def test_turn_on_works(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=5))
    response = send(as_keeper, address(train, "turn-on"), at=ago(days=3))
    said = messages(as_keeper, response)
    assert "Water off for 2.0 days" in said and "on again" in said
    row = Shutoff.objects.standing().get()
    assert (row.at, row.until) == (ago(days=5), ago(days=3))


def test_turn_on_is_undone_to_off(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=5))
    send(as_keeper, address(train, "turn-on"), at=ago(days=3))
    row = Shutoff.objects.standing().get()
    as_keeper.post(reverse("fact-undo", args=["shut-off", row.pk]))
    assert Shutoff.objects.standing().get().until is None


def test_turn_on_when_it_is_not_off_is_refused(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "turn-on"), at=ago(days=1))
    assert "water is not off" in errors(response)["at"][0]


def test_turn_on_before_it_was_off_is_refused(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=2))
    response = send(as_keeper, address(train, "turn-on"), at=ago(days=3))
    assert "cannot have come on" in errors(response)["at"][0]
    assert Shutoff.objects.standing().get().until is None


def test_turn_on_twice_is_kept_once(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=5))
    at = ago(days=3)
    send(as_keeper, address(train, "turn-on"), at=at)
    again = send(as_keeper, address(train, "turn-on"), at=at)
    assert "Already logged" in messages(as_keeper, again)


def test_correcting_a_shut_off_minds_the_others(as_keeper: Client, train: Train) -> None:
    off(as_keeper, train, at=ago(days=8), until=ago(days=6))
    off(as_keeper, train, at=ago(days=4), until=ago(days=2))
    later = Shutoff.objects.in_order().last()
    page = reverse("fact-correct", args=["shut-off", later.pk])
    assert "overlap" in errors(send(as_keeper, page, at=ago(days=7)))["at"][0]
    assert send(as_keeper, page, at=ago(days=5)).status_code == 302
    assert Shutoff.objects.standing().in_order().last().at == ago(days=5)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (1, "1 minute"),
        (25, "25 minutes"),
        (60, "1 hour"),
        (90, "1.5 hours"),
        (47 * 60, "47 hours"),
        (48 * 60, "2.0 days"),
    ],
)
def test_a_short_time_off_is_told_in_hours(train: Train, minutes: int, words: str) -> None:
    at = ago(days=5)
    row = Shutoff(train=train, at=at, until=at + dt.timedelta(minutes=minutes))
    assert row.summary(units="us") == f"Water off for {words}"


def test_water_off_and_on_have_one_name_each(as_keeper: Client, train: Train) -> None:
    assert (
        "<strong>Water off</strong>" in as_keeper.get(f"/trains/{train.pk}/log/").content.decode()
    )
    off(as_keeper, train, at=ago(days=1))
    assert "<strong>Water on</strong>" in as_keeper.get(f"/trains/{train.pk}/log/").content.decode()
    book = as_keeper.get(f"/trains/{train.pk}/logbook/")
    assert book.context["rows"][0]["name"] == "Water off"
