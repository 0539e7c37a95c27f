"""Why the flow is not the rated one: on the law of a capillary, and on flows near the rating."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from django.utils import timezone

from cartridges.models import RestrictorFitting, Shutoff
from cartridges.services.flow_words import why_not_rated
from cartridges.services.overview import TrainNow

from .test_home_advice import train_now

RATED_L_DAY = 200.0


def flowing(
    flow_l_day: float | None,
    *,
    temperature_c: float = 25.0,
    pressure_kpa: float = 413.685,
    correction: float = 1.0,
    law: str = "capillary",
) -> TrainNow:
    now = train_now([(120, 123, 125), (41, 50, 66), (200, 260, 340)])
    now.train.source.temperature_c = temperature_c
    now.train.supply_pressure_kpa = pressure_kpa
    now.train.summary |= {"flow_l_day": flow_l_day, "correction": correction}
    fitted = RestrictorFitting(rated_flow_l_day=RATED_L_DAY, law=law)
    return dataclasses.replace(now, restrictor=fitted)


def test_cold_water_is_named_with_the_conditions_of_the_rating() -> None:
    # Water at 10 °C is 1.47 times as viscous as at 25 °C (1.306 and 0.890 mPa·s; handbook values,
    # from memory), so a capillary passes 0.68 of its rating.
    said = why_not_rated(flowing(0.68 * RATED_L_DAY, temperature_c=10.0), units="metric")
    assert said.replace("\u00a0", " ") == (
        "136 L/day; rated 200 L/day at 25.0 °C and 414 kPa: "
        "cold water passes a capillary more slowly."
    ).replace("25.0", "25")


def test_us_reader_gets_us_units() -> None:
    said = why_not_rated(flowing(136.0, temperature_c=10.0), units="us").replace("\u00a0", " ")
    assert "at 77 °F and 60 psi" in said  # 25 °C; 413.685 kPa
    assert said.startswith("35.9 gal/day; rated 52.8 gal/day")


@pytest.mark.parametrize(
    ("flow", "changes", "words"),
    [
        (300.0, {"temperature_c": 40.0}, "warm water passes a capillary faster"),
        (150.0, {"pressure_kpa": 310.0}, "your pressure is lower than that"),
        (260.0, {"pressure_kpa": 540.0}, "your pressure is higher than that"),
        (180.0, {"correction": 0.9}, "your meter and tests found 10\u00a0% less than expected"),
        (230.0, {"correction": 1.15}, "your meter and tests found 15\u00a0% more than expected"),
        (150.0, {}, "that is what meter and tests found"),
    ],
)
def test_names_what_made_the_difference(flow: float, changes: dict[str, Any], words: str) -> None:
    assert why_not_rated(flowing(flow, **changes), units="us").endswith(f": {words}.")


def test_the_largest_cause_comes_first_and_one_that_points_the_other_way_is_left_out() -> None:
    cold_weak = flowing(110.0, temperature_c=10.0, pressure_kpa=370.0, correction=1.1)
    assert why_not_rated(cold_weak, units="us").endswith(
        ": cold water passes a capillary more slowly, and your pressure is lower than that."
    )


def test_an_orifice_does_not_feel_the_cold() -> None:
    assert "cold" not in why_not_rated(flowing(150.0, temperature_c=5.0, law="orifice"), units="us")


@pytest.mark.parametrize("flow", [None, 0.0, 191.0, 200.0, 209.0])
def test_says_nothing_near_the_rating_or_without_a_flow(flow: float | None) -> None:
    assert why_not_rated(flowing(flow), units="us") == ""


def test_says_nothing_without_a_restrictor_or_while_the_water_is_off() -> None:
    now = flowing(120.0)
    assert why_not_rated(dataclasses.replace(now, restrictor=None), units="us") == ""
    shut = Shutoff(at=timezone.now())
    assert why_not_rated(dataclasses.replace(now, shut=shut), units="us") == ""
