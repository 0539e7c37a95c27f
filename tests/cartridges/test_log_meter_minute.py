"""Two meter readings within one minute: the same, a dial that turned on, or one that is wrong."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Meter, MeterReading, Train
from tests.trains import L_PER_GAL

from .by_hand import address, ago, errors, messages, send


def where(train: Train) -> str:
    return address(train, "meter-reading")


def standing(train: Train) -> int:
    return MeterReading.objects.standing().filter(train=train).count()


def newest(train: Train) -> MeterReading:
    return MeterReading.objects.standing().filter(train=train).in_order().last()


def test_two_readings_at_one_minute_that_disagree_are_refused(
    as_keeper: Client, train: Train
) -> None:
    at = ago(minutes=3)
    send(as_keeper, where(train), reading="3000", at=at)
    response = send(as_keeper, where(train), reading="2999", at=at)
    assert "something else is written down" in errors(response)["reading"][0]
    assert standing(train) == 4


def test_a_dial_that_turned_on_within_the_minute_is_taken(as_keeper: Client, train: Train) -> None:
    at = ago(minutes=3)
    send(as_keeper, where(train), reading="3000", at=at)
    assert send(as_keeper, where(train), reading="3001", at=at).status_code == 302
    assert newest(train).at == at + dt.timedelta(seconds=1)
    assert newest(train).reading_l == pytest.approx(3001 * L_PER_GAL)


def test_more_than_one_unit_within_the_minute_is_asked_back(
    as_keeper: Client, train: Train
) -> None:
    at = ago(minutes=3)
    send(as_keeper, where(train), reading="3000", at=at)
    response = send(as_keeper, where(train), reading="3005", at=at)
    assert "In that same minute it read 3,000" in errors(response)["reading"][0]
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(where(train), again).status_code == 302
    assert newest(train).reading_l == pytest.approx(3005 * L_PER_GAL)


def test_a_reading_right_after_the_set_up_is_taken(as_keeper: Client, train: Train) -> None:
    """The set-up's own reading has seconds, and a form's clock has none."""
    MeterReading.objects.all().delete()
    fitted = timezone.now() - dt.timedelta(seconds=1)
    meter = train.meters.get()
    Meter.objects.filter(pk=meter.pk).update(fitted_at=fitted, start_l=500 * L_PER_GAL)
    MeterReading.objects.create(train=train, meter=meter, at=fitted, reading_l=500 * L_PER_GAL)
    at = fitted.replace(second=0, microsecond=0)
    assert "Already logged" in messages(
        as_keeper, send(as_keeper, where(train), reading="500", at=at)
    )
    assert send(as_keeper, where(train), reading="500.2", at=at).status_code == 302
    assert newest(train).at == fitted + dt.timedelta(seconds=1)
    lower = send(as_keeper, where(train), reading="499", at=at)
    assert "something else is written down" in errors(lower)["reading"][0]
