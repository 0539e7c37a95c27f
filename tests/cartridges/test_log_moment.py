"""Local time on a form: the household's clock, also when it is set forward or back.

Dates of the changes: in America/Chicago the clocks went forward on 8 March 2026 at 2:00 and went
back on 1 November 2026 at 2:00 (second Sunday of March, first of November: United States Code,
title 15, section 260a; value from memory).
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.forms.log_fields import MomentField, NumberField
from cartridges.models import Note, Train
from cartridges.services import acts
from hobbyhydro.households.models import User

from .by_hand import address, shown

CHICAGO = ZoneInfo("America/Chicago")
LATER = dt.datetime(2026, 12, 1, 12, tzinfo=dt.UTC)


def cleaned(text: str, *, now: dt.datetime = LATER) -> dt.datetime | None:
    with time_machine.travel(now, tick=False), timezone.override(CHICAGO):
        return MomentField().clean(text)


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("2026-03-08T01:59", "2026-03-08T07:59"),  # standard time, six hours behind
        ("2026-03-08T03:00", "2026-03-08T08:00"),  # a minute later: summer time, five behind
        ("2026-07-01T12:00", "2026-07-01T17:00"),
        ("2026-11-01T02:00", "2026-11-01T08:00"),  # standard time again
        ("2026-11-01 12:30", "2026-11-01T18:30"),  # a blank for the T is taken too
    ],
)
def test_what_is_typed_is_the_households_clock(typed: str, utc: str) -> None:
    assert cleaned(typed) == dt.datetime.fromisoformat(utc + "+00:00")


def test_an_hour_that_the_clocks_skip_is_refused() -> None:
    with pytest.raises(ValidationError, match="clocks skipped"):
        cleaned("2026-03-08T02:30")


@pytest.mark.parametrize(
    ("now", "meant"),
    [
        # while the hour runs for the first time, only that one can be meant
        ("2026-11-01T06:40+00:00", "2026-11-01T06:30+00:00"),
        # once it runs again, and ever after, the later one
        ("2026-11-01T07:40+00:00", "2026-11-01T07:30+00:00"),
        ("2026-12-01T12:00+00:00", "2026-11-01T07:30+00:00"),
    ],
)
def test_an_hour_that_comes_twice_is_the_last_that_has_been(now: str, meant: str) -> None:
    found = cleaned("2026-11-01T01:30", now=dt.datetime.fromisoformat(now))
    assert found == dt.datetime.fromisoformat(meant)


def test_a_moment_left_alone_is_kept_to_the_second_and_to_the_hour() -> None:
    first = dt.datetime(2026, 11, 1, 6, 30, 42, tzinfo=dt.UTC)  # 1:30, the first time round
    with time_machine.travel(LATER), timezone.override(CHICAGO):
        field = MomentField()
        field.original = first
        assert field.clean(field.prepare_value(first)) == first


def test_five_minutes_ahead_is_a_clock_that_differs() -> None:
    with time_machine.travel(LATER, tick=False), timezone.override(CHICAGO):
        field = MomentField()
        assert field.clean("2026-12-01T06:05") == LATER + dt.timedelta(minutes=5)
        with pytest.raises(ValidationError, match="future"):
            field.clean("2026-12-01T06:06")


@pytest.mark.parametrize("typed", ["1989-01-01T00:00", "9999-12-31T23:59", "2026-13-01T00:00", "x"])
def test_a_year_that_cannot_be_is_refused(typed: str) -> None:
    with pytest.raises(ValidationError):
        cleaned(typed)


def test_correcting_does_not_move_the_hour(as_keeper: Client, train: Train, keeper: User) -> None:
    """A note of the first 1:30 of that night stays there when only its text is corrected."""
    train.household.time_zone = "America/Chicago"
    train.household.save()
    moment = dt.datetime(2026, 11, 1, 6, 30, 42, tzinfo=dt.UTC)
    Train.objects.update(started_at=moment - dt.timedelta(days=1))
    note = acts.log(Note(train=train, text="drp", at=moment), by=keeper)
    where = reverse("fact-correct", args=["note", note.pk])
    with time_machine.travel(LATER), timezone.override(CHICAGO):
        as_keeper.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
        data = shown(as_keeper, where) | {"text": "drip"}
        assert data["at"] == "2026-11-01T01:30"
        as_keeper.post(where, data)
    fresh = Note.objects.standing().get()
    assert (fresh.text, fresh.at) == ("drip", moment)


def test_the_page_shows_the_households_clock(as_keeper: Client, train: Train, keeper: User) -> None:
    train.household.time_zone = "America/Chicago"
    train.household.save()
    with time_machine.travel(LATER, tick=False):
        Train.objects.update(started_at=LATER - dt.timedelta(days=1))
        as_keeper.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
        page = as_keeper.get(address(train, "note")).content.decode()
    assert 'value="2026-12-01T06:00"' in page


@pytest.mark.parametrize("typed", ["abc", "nan", "inf", "-inf", "1e400", "12..5", "٣٬"])
def test_a_plain_number_has_to_be_one(typed: str) -> None:
    with pytest.raises(ValidationError):
        NumberField(unit_text="s", most=100.0).clean(typed)


def test_a_plain_number_is_kept_in_its_own_unit() -> None:
    field = NumberField(unit_text="gal", per_unit=3.785411784, most=1e6)
    assert field.clean("1,000") == pytest.approx(3785.411784)
    assert field.clean("2,5") == pytest.approx(2.5 * 3.785411784)
    assert field.prepare_value(3785.411784) == "1000"
    with pytest.raises(ValidationError, match="too large"):
        field.clean("1e9")
    with pytest.raises(ValidationError, match="below zero"):
        field.clean("-1")
