"""Small builders of restrictors, meters and steady supplies, for the throughput tests."""

from __future__ import annotations

from collections.abc import Sequence

from cartridges.physics.restrictor import RATED_PRESSURE_KPA, RATED_TEMPERATURE_C
from cartridges.physics.throughput import MeterRun, Restrictor, Steps

PRESSURE = Steps([0.0], [RATED_PRESSURE_KPA])
TEMPERATURE = Steps([0.0], [RATED_TEMPERATURE_C])
SUPPLY = {"pressure_kpa": PRESSURE, "temperature_c": TEMPERATURE}


def orifice(fitted_day: float, rated_flow_l_day: float) -> Restrictor:
    return Restrictor(fitted_day, rated_flow_l_day, exponent=0.5, laminar=False)


def meter(
    day: Sequence[float],
    reading_l: Sequence[float],
    rolled_over: Sequence[bool] | None = None,
    rolls_over_at_l: float | None = None,
) -> MeterRun:
    return MeterRun(day, reading_l, rolled_over or [False] * len(day), rolls_over_at_l)
