"""When a train began: an earlier cartridge or restrictor moves its start, nothing else does."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Fitting, RestrictorFitting, Stage, Train
from cartridges.physics.throughput import METERED
from cartridges.services import timeline
from tests.trains import L_PER_GAL

from .by_hand import address, ago, errors, messages, send


def correction(fact: Fitting | RestrictorFitting) -> str:
    return reverse("fact-correct", args=[fact.KIND, fact.pk])


def to_the_minute(at: dt.datetime) -> dt.datetime:
    return at.replace(second=0, microsecond=0)


@pytest.fixture
def first(train: Train) -> Fitting:
    """The sediment cartridge, fitted when the train began."""
    return Fitting.objects.get(train=train, stage__position=1)


def start(train: Train) -> dt.datetime:
    train.refresh_from_db()
    return train.started_at


def test_a_first_cartridge_fitted_earlier_moves_the_start(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    at = ago(days=90)
    assert send(as_keeper, correction(first), at=at).status_code == 302
    assert start(train) == at
    assert train.restrictors.standing().get().at == at  # it was there from the beginning
    assert train.meters.get().fitted_at == at  # and so was the meter that began at zero
    water = timeline.flow_history(train, now=ago(minutes=0)).segments
    assert water.start_day[0] == pytest.approx(timeline.day_of(at))
    metered = water.origin == METERED
    passed_l = ((water.end_day - water.start_day) * water.flow_l_day)[metered].sum()
    assert passed_l == pytest.approx(2250 * L_PER_GAL)  # what the meter showed last


def test_without_a_meter_the_restrictor_tells_the_time_before(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    train.meter_readings.all().delete()
    train.meters.all().delete()
    before = timeline.flow_history(train, now=ago(minutes=0)).segments.total_l
    send(as_keeper, correction(first), at=ago(days=90))
    after = timeline.flow_history(train, now=ago(minutes=0)).segments.total_l
    assert after == pytest.approx(before * 90 / 60, rel=2e-3)  # thirty days more of the drip


def test_readings_older_than_the_start_are_taken_after_that(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    typed = {"volume_l": "500", "duration_s": "230", "at": ago(days=70)}
    refused = send(as_keeper, address(train, "bucket-test"), **typed)
    assert "fit the first cartridge earlier" in errors(refused)["at"][0]
    send(as_keeper, correction(first), at=ago(days=90))
    assert send(as_keeper, address(train, "bucket-test"), **typed).status_code == 302


def test_taking_the_correction_back_takes_the_start_back(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    before = start(train)
    send(as_keeper, correction(first), at=ago(days=90))
    fresh = Fitting.objects.standing().get(replaces=first)
    assert as_keeper.post(reverse("fact-undo", args=["swap", fresh.pk])).status_code == 302
    assert start(train) == before
    assert train.restrictors.standing().get().at == before
    assert as_keeper.post(reverse("fact-redo", args=["swap", fresh.pk])).status_code == 302
    assert start(train) == fresh.at


def test_the_start_goes_no_further_forward_than_what_was_logged(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    send(as_keeper, correction(first), at=ago(days=90))
    bucket = ago(days=80)
    send(as_keeper, address(train, "bucket-test"), volume_l="500", duration_s="230", at=bucket)
    fresh = Fitting.objects.standing().get(replaces=first)
    as_keeper.post(reverse("fact-undo", args=["swap", fresh.pk]))
    assert start(train) == bucket


def test_an_earlier_restrictor_moves_the_start(as_keeper: Client, train: Train) -> None:
    restrictor = train.restrictors.get()
    at = ago(days=75)
    assert send(as_keeper, correction(restrictor), at=at).status_code == 302
    assert start(train) == at


def test_an_earlier_swap_moves_the_start(as_keeper: Client, train: Train) -> None:
    stage = train.stages.get(position=1)
    where, at = address(train, "swap"), ago(days=100)
    asked = send(as_keeper, where, stage=stage.pk, cartridge="new", spec="1", at=at)
    assert "will stand as an earlier one" in errors(asked)["at"][0]
    form = asked.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(where, again).status_code == 302
    assert start(train) == at


def test_a_later_correction_leaves_the_start(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    before = start(train)
    assert send(as_keeper, correction(first), at=ago(days=50)).status_code == 302
    assert start(train) == before  # the other stages ran from then


def test_more_than_thirty_years_before_is_refused(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    before = start(train)
    response = send(as_keeper, correction(first), at=ago(days=31 * 366))
    assert "more than 30 years before" in errors(response)["at"][0]
    assert start(train) == before


def test_a_refused_correction_moves_nothing(
    as_keeper: Client, train: Train, first: Fitting
) -> None:
    """The stage was taken out since; what cannot be takes the start back with it."""
    before = start(train)
    Stage.objects.filter(pk=first.stage_id).update(retired_at=ago(days=10))
    send(as_keeper, correction(first), at=ago(days=90))
    assert start(train) == before


def test_a_viewer_moves_nothing(as_viewer: Client, train: Train, first: Fitting) -> None:
    before = start(train)
    assert as_viewer.post(correction(first), {"at": "2020-01-01T10:00"}).status_code == 403
    assert start(train) == before


def test_what_is_said_names_the_swap(as_keeper: Client, train: Train, first: Fitting) -> None:
    response = send(as_keeper, correction(first), at=ago(days=90))
    assert "Corrected:" in messages(as_keeper, response)
