"""Restrictor changes, bucket tests and pressures."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import FlowTest, PressureReading, RestrictorFitting, Train
from hobbyhydro.households.models import User
from tests.trains import L_PER_GAL

from .by_hand import address, ago, errors, messages, send

BAD = [
    ("-5", "more than zero"),
    ("0", "more than zero"),
    ("1e9", "too large"),
    ("nan", "ordinary number"),
    ("inf", "ordinary number"),
    ("abc", "not a number"),
    ("", "required"),
]


def test_restrictor_works(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "restrictor"), rated_flow_l_day="100")
    assert "Restrictor of 100.0\u00a0gal/day fitted" in messages(as_keeper, response)
    row = RestrictorFitting.objects.in_order().last()
    assert row.rated_flow_l_day == pytest.approx(100 * L_PER_GAL)
    assert row.rated_pressure_kpa == pytest.approx(413.685, rel=1e-5)


def test_restrictor_takes_metric(as_keeper: Client, train: Train, keeper: User) -> None:
    keeper.units = "metric"
    keeper.save()
    send(
        as_keeper, address(train, "restrictor"), rated_flow_l_day="380", rated_pressure_kpa="400",
        law="orifice",
    )  # fmt: skip
    row = RestrictorFitting.objects.in_order().last()
    assert (row.rated_flow_l_day, row.rated_pressure_kpa, row.law) == (380.0, 400.0, "orifice")


@pytest.mark.parametrize(("typed", "word"), BAD)
@pytest.mark.parametrize("field", ["rated_flow_l_day", "rated_pressure_kpa"])
def test_restrictor_keeps_what_was_typed(
    as_keeper: Client, train: Train, field: str, typed: str, word: str
) -> None:
    fields = {"rated_flow_l_day": "100", "rated_pressure_kpa": "60"} | {field: typed}
    response = send(as_keeper, address(train, "restrictor"), **fields)
    assert word in errors(response)[field][0]
    for name, value in fields.items():
        assert response.context["form"][name].value() == value
    assert RestrictorFitting.objects.count() == 1


def test_restrictor_far_from_the_last_is_asked_back(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "restrictor"), rated_flow_l_day="500")
    assert "50.0\u00a0gal/day" in errors(response)["rated_flow_l_day"][0]
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(address(train, "restrictor"), again).status_code == 302


def test_two_restrictors_at_one_minute_are_refused(as_keeper: Client, train: Train) -> None:
    at = ago(days=2)
    send(as_keeper, address(train, "restrictor"), rated_flow_l_day="100", at=at)
    response = send(as_keeper, address(train, "restrictor"), rated_flow_l_day="80", at=at)
    assert "something else is written down" in errors(response)["rated_flow_l_day"][0]
    same = send(as_keeper, address(train, "restrictor"), rated_flow_l_day="100", at=at)
    assert "Already logged" in messages(as_keeper, same)
    assert RestrictorFitting.objects.count() == 2


def test_restrictor_is_corrected(as_keeper: Client, train: Train) -> None:
    old = RestrictorFitting.objects.get()
    page = reverse("fact-correct", args=["restrictor", old.pk])
    send(as_keeper, page, rated_flow_l_day="60", why="read the wrong line")
    fresh = RestrictorFitting.objects.standing().get()
    assert fresh.replaces == old
    assert fresh.rated_flow_l_day == pytest.approx(60 * L_PER_GAL)
    assert fresh.rated_pressure_kpa == old.rated_pressure_kpa


def test_bucket_test_works(as_keeper: Client, train: Train) -> None:
    """130 mL in 60 s is 187.2 L a day, 49.5 US gal (by hand)."""
    response = send(as_keeper, address(train, "bucket-test"), volume_l="130", duration_s="60")
    assert "which is 49.5\u00a0gal/day" in messages(as_keeper, response)
    assert FlowTest.objects.get().flow_l_day == pytest.approx(187.2)


@pytest.mark.parametrize(("typed", "word"), BAD)
@pytest.mark.parametrize("field", ["volume_l", "duration_s"])
def test_bucket_test_keeps_what_was_typed(
    as_keeper: Client, train: Train, field: str, typed: str, word: str
) -> None:
    fields = {"volume_l": "130", "duration_s": "60"} | {field: typed}
    response = send(as_keeper, address(train, "bucket-test"), **fields)
    assert word in errors(response)[field][0]
    for name, value in fields.items():
        assert response.context["form"][name].value() == value
    assert not FlowTest.objects.exists()


def test_bucket_test_far_above_the_restrictor_is_asked_back(
    as_keeper: Client, train: Train
) -> None:
    response = send(as_keeper, address(train, "bucket-test"), volume_l="1300", duration_s="60")
    assert "Is this right?" in errors(response)["volume_l"][0]
    assert not FlowTest.objects.exists()


def test_bucket_tests_of_one_minute_that_disagree(as_keeper: Client, train: Train) -> None:
    at = ago(hours=2)
    send(as_keeper, address(train, "bucket-test"), volume_l="130", duration_s="60", at=at)
    other = send(as_keeper, address(train, "bucket-test"), volume_l="120", duration_s="60", at=at)
    assert "give this one another minute" in errors(other)["volume_l"][0]
    assert FlowTest.objects.count() == 1


def test_pressure_works(as_keeper: Client, train: Train) -> None:
    stage = train.stages.get(position=1)
    response = send(
        as_keeper, address(train, "pressure"), before_kpa="60", after_kpa="55", stage=stage.pk
    )
    assert "before and 55\u00a0psi after stage 1" in messages(as_keeper, response)
    row = PressureReading.objects.get()
    assert row.before_kpa == pytest.approx(60 * 6.894757, rel=1e-6)
    assert row.after_kpa == pytest.approx(55 * 6.894757, rel=1e-6)


def test_pressure_of_the_supply_alone(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(address(train, "pressure")).content.decode()
    assert "the supply alone" in page
    assert send(as_keeper, address(train, "pressure"), before_kpa="62").status_code == 302
    assert PressureReading.objects.get().stage is None


def test_pressure_after_needs_to_know_after_what(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "pressure"), before_kpa="62", after_kpa="50")
    assert "second gauge" in errors(response)["stage"][0]


def test_pressure_that_rises_is_asked_back(as_keeper: Client, train: Train) -> None:
    stage = train.stages.get(position=1)
    response = send(
        as_keeper, address(train, "pressure"), before_kpa="50", after_kpa="62", stage=stage.pk
    )
    assert "higher than before" in errors(response)["after_kpa"][0]
    assert not PressureReading.objects.exists()


@pytest.mark.parametrize(
    ("typed", "word"),
    [("-5", "below zero"), *[b for b in BAD if b[0] not in ("-5", "0", "")]],
)
@pytest.mark.parametrize("field", ["before_kpa", "after_kpa"])
def test_pressure_keeps_what_was_typed(
    as_keeper: Client, train: Train, field: str, typed: str, word: str
) -> None:
    stage = train.stages.get(position=1)
    fields = {"before_kpa": "60", "after_kpa": "55", "stage": str(stage.pk)} | {field: typed}
    response = send(as_keeper, address(train, "pressure"), **fields)
    assert word in errors(response)[field][0]
    for name, value in fields.items():
        assert response.context["form"][name].value() == value
    assert not PressureReading.objects.exists()


def test_pressure_around_another_households_stage_is_refused(
    as_keeper: Client, train: Train, stranger: User
) -> None:
    from tests.trains import build_train

    other = build_train(stranger.households.get(), stranger, readings=0)
    foreign = other.stages.first()
    response = send(as_keeper, address(train, "pressure"), before_kpa="60", stage=foreign.pk)
    assert "stage" in errors(response)
