"""Trains and water that the bed's tests share: invented, and plain enough to reason about."""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np

from cartridges.physics.label import Claim
from cartridges.physics.segments import METERED, Segments
from cartridges.physics.source import SourceSteps
from cartridges.physics.train import Medium, OutletReading, Placing, TrainInputs
from cartridges.physics.units import L_PER_US_GAL, MIN_PER_DAY

REAL = Path(__file__).resolve().parents[1] / "data" / "real"
FREE_CLAIM = Claim(
    rated_volume_l=10_000 * L_PER_US_GAL,
    rated_flow_l_day=0.75 * L_PER_US_GAL * MIN_PER_DAY,
    challenge_mg_l=2.0,
    initial_reduction=0.97,
    end_reduction=0.5,
)
CHLORAMINE_CLAIM = Claim(
    rated_volume_l=3_000 * L_PER_US_GAL,
    rated_flow_l_day=0.5 * L_PER_US_GAL * MIN_PER_DAY,
    challenge_mg_l=3.0,
    initial_reduction=0.97,
    end_reduction=1.0 - 0.5 / 3.0,
)
CARBON = Medium("block", "carbon_block", bed_volume_l=0.6, free_claim=FREE_CLAIM)
BOTH = replace(CARBON, key="both", chloramine_claim=CHLORAMINE_CLAIM)
SEDIMENT = Medium("sediment", "sediment", calendar_days=180.0, dirt_capacity_g=60.0)
DRIP_L_DAY = 50 * L_PER_US_GAL


def segments(
    flow_l_day: np.ndarray | list[float], *, rel_sd: float = 0.0, each_days: float = 1.0
) -> Segments:
    """Metered segments of equal length from day 0 on."""
    flow = np.asarray(flow_l_day, dtype=float)
    start = each_days * np.arange(len(flow))
    return Segments(
        start_day=start,
        end_day=start + each_days,
        flow_l_day=flow,
        origin=np.full(len(flow), METERED),
        rel_sd=np.full(len(flow), rel_sd),
    )


def source(
    free_mg_l: float | list[float] | np.ndarray,
    *,
    combined_mg_l: float | list[float] | np.ndarray = 0.0,
    start_day: float = 0.0,
    each_days: float = 1.0,
    rel_sd: float = 0.0,
) -> SourceSteps:
    """Source steps of equal length."""
    free, combined = np.broadcast_arrays(np.atleast_1d(free_mg_l), np.atleast_1d(combined_mg_l))
    start = start_day + each_days * np.arange(len(free))
    return SourceSteps(
        start_day=start,
        end_day=start + each_days,
        free_mg_l=free,
        combined_mg_l=combined,
        rel_sd=np.full(len(free), rel_sd),
    )


def two_carbons(
    *,
    past_days: int = 60,
    flow_l_day: float = DRIP_L_DAY,
    free_mg_l: float = 2.0,
    combined_mg_l: float = 0.0,
    medium: Medium = CARBON,
    readings: tuple[OutletReading, ...] = (),
    source_rel_sd: float = 0.15,
    limit_mg_l: float = 0.1,
) -> TrainInputs:
    """Two carbon stages fitted on day 0, steady water, daily metered segments."""
    level = {"free_mg_l": free_mg_l, "combined_mg_l": combined_mg_l, "rel_sd": source_rel_sd}
    return TrainInputs(
        stage_count=2,
        placings=(Placing(0.0, 1, "first", medium), Placing(0.0, 2, "second", medium)),
        segments=segments(np.full(past_days, flow_l_day), rel_sd=0.02),
        future_flow_l_day=flow_l_day,
        future_flow_rel_sd=0.05,
        source_past=source(each_days=past_days, **level),
        source_future=source(start_day=past_days, each_days=4000.0, **level),
        outlet_readings=readings,
        limit_mg_l=limit_mg_l,
    )


def certain(inputs: TrainInputs, *, exponent: float = 0.0) -> TrainInputs:
    """The same train with nothing left uncertain, so that every member is the same."""

    def sure(steps: SourceSteps) -> SourceSteps:
        return replace(steps, rel_sd=np.zeros(len(steps)))

    placings = tuple(
        replace(one, medium=replace(one.medium, flow_exponent=exponent)) if one.medium else one
        for one in inputs.placings
    )
    return replace(
        inputs,
        placings=placings,
        segments=replace(inputs.segments, rel_sd=np.zeros(len(inputs.segments))),
        source_past=sure(inputs.source_past),
        source_future=sure(inputs.source_future),
        future_flow_rel_sd=0.0,
        capacity_cv=0.0,
        rate_cv=0.0,
    )


def site(letter: str) -> tuple[np.ndarray, np.ndarray]:
    """The real daily series of a site: days from 0, free chlorine in mg/L."""
    with (REAL / f"tap_chlorine_site_{letter}.csv").open(newline="") as handle:
        rows = [
            (dt.date.fromisoformat(row["sampled_on"]), float(row["free_chlorine_mg_l"]))
            for row in csv.DictReader(handle)
        ]
    first = rows[0][0]
    return (
        np.array([(day - first).days for day, _ in rows], dtype=float),
        np.array([level for _, level in rows]),
    )
