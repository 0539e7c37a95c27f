"""Laws that hold for every train: tried on many made-up ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cartridges.physics.bed import advance, days_to_outlet
from cartridges.physics.segments import Segments
from cartridges.physics.train import Placing, TrainInputs, estimate_train

from .scenarios import BOTH, CARBON, certain, segments, source

flows = st.floats(20.0, 3000.0)
levels = st.floats(0.3, 4.0)
limits = st.floats(0.02, 0.9)
exponents = st.floats(0.0, 0.5)


def train(
    *,
    flow_l_day: float,
    level_mg_l: float,
    past_days: int = 20,
    combined_share: float = 0.0,
    exponent: float = 0.0,
    limit_mg_l: float = 0.1,
    past_flow_l_day: float | None = None,
) -> TrainInputs:
    """Two carbons, steady, nothing uncertain; the past may have had another flow."""
    past_flow = flow_l_day if past_flow_l_day is None else past_flow_l_day
    free, combined = (1.0 - combined_share) * level_mg_l, combined_share * level_mg_l
    medium = BOTH if combined_share else CARBON
    return certain(
        TrainInputs(
            stage_count=2,
            placings=(Placing(0.0, 1, "a", medium), Placing(0.0, 2, "b", medium)),
            segments=segments([past_flow], each_days=float(past_days)),
            future_flow_l_day=flow_l_day,
            future_flow_rel_sd=0.0,
            source_past=source(free, combined_mg_l=combined, each_days=float(past_days)),
            source_future=source(
                free, combined_mg_l=combined, start_day=float(past_days), each_days=4000.0
            ),
            limit_mg_l=limit_mg_l,
        ),
        exponent=exponent,
    )


def days_of(inputs: TrainInputs, now_day: float = 20.0) -> np.ndarray:
    """Median days to the limit after one bed and after two, each the last of its train.

    (A stage that cannot hold the limit even when new is counted at the last stage, so the days of a
    first stage of two may jump up as it gives out.)
    """
    alone = replace(inputs, stage_count=1, placings=inputs.placings[:1])
    return np.array(
        [
            estimate_train(one, now_day=now_day, members=16).stages[-1].days.p50
            for one in (alone, inputs)
        ]
    )


@settings(max_examples=40, deadline=None)
@given(flows, st.floats(1.01, 4.0), levels, st.sampled_from([0.0, 0.4]), exponents)
def test_more_flow_never_gives_more_days(
    flow: float, factor: float, level: float, combined: float, exponent: float
) -> None:
    shared = {"level_mg_l": level, "combined_share": combined, "exponent": exponent}
    slow = days_of(train(flow_l_day=flow, past_flow_l_day=flow, **shared))
    fast = days_of(train(flow_l_day=factor * flow, past_flow_l_day=flow, **shared))
    assert (fast <= slow * (1 + 1e-6) + 1e-3).all()


@settings(max_examples=40, deadline=None)
@given(flows, levels, st.floats(1.01, 3.0), st.sampled_from([0.0, 0.4]), limits)
def test_more_chlorine_never_gives_more_days(
    flow: float, level: float, factor: float, combined: float, limit: float
) -> None:
    shared = {"flow_l_day": flow, "combined_share": combined, "limit_mg_l": limit}
    weak = days_of(train(level_mg_l=level, **shared))
    strong = days_of(train(level_mg_l=factor * level, **shared))
    assert (strong <= weak * (1 + 1e-6) + 1e-3).all()


@settings(max_examples=40, deadline=None)
@given(flows, levels, st.floats(0.01, 0.5))
def test_doubling_the_flow_never_leaves_more_than_half_the_days(
    flow: float, level: float, share: float
) -> None:
    """For a fresh bed, n = 0, and limits of at most half the inlet (proved; common practice says
    the same, no source)."""
    shared = {"level_mg_l": level, "limit_mg_l": share * level}
    nothing = Segments([], [], [], [], [])
    once, twice = (
        days_of(replace(train(flow_l_day=q, **shared), segments=nothing), now_day=0.0)
        for q in (flow, 2 * flow)
    )
    assert (twice <= 0.5 * once + 1e-3).all()


@given(st.floats(0.3, 60.0), st.floats(0.501, 0.99))
def test_above_half_the_inlet_doubling_halves_the_days_only_by_the_exact_criterion(
    units: float, share: float
) -> None:
    """Exactly where tanh(b/4) < (1 - p)/p, with p = limit/inlet.

    From the closed form: 2 ln(e^(b/2) - 1) < ln(e^b - 1) + ln(1/p - 1) at first exceedance above 0.
    """
    at = {"limit_mg_l": share, "inlet_mg_l": 1.0, "rate_l_mg_day": 1.0}
    once = float(days_to_outlet(1.0, transfer_units=units, **at))
    twice = float(days_to_outlet(1.0, transfer_units=units / 2, **at))
    criterion = (1 - share) / share - math.tanh(units / 4)
    if twice > 0.0 and abs(criterion) > 1e-9:
        assert (twice < 0.5 * once) == (criterion > 0.0)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(flows, levels, st.floats(0.0, 1.0)), min_size=2, max_size=8))
def test_remaining_never_rises_and_the_outlet_never_passes_the_inlet(
    periods: list[tuple[float, float, float]],
) -> None:
    """Through any past, without a swap, as each period ends."""
    flow, level, share = (np.array(column) for column in zip(*periods, strict=True))
    last = np.ones(2)
    for count in range(1, len(periods) + 1):
        base = train(flow_l_day=flow[count - 1], level_mg_l=1.0, combined_share=0.5)
        free, combined = level * (1 - share), level * share
        now = 10.0 * count
        inputs = replace(
            base,
            segments=segments(flow[:count], each_days=10.0),
            source_past=source(free[:count], combined_mg_l=combined[:count], each_days=10.0),
            source_future=source(
                free[count - 1], combined_mg_l=combined[count - 1], start_day=now, each_days=4000.0
            ),
        )
        stages = estimate_train(inputs, now_day=now, members=16).stages
        remaining = np.array([one.remaining.p50 for one in stages if one.remaining])
        assert (remaining <= last + 1e-9).all() and (remaining >= 0.0).all()
        last = remaining
        inlet = level[count - 1]
        for one in stages:
            assert one.outlet_total_mg_l.p50 <= inlet * (1 + 1e-12)
            inlet = one.outlet_total_mg_l.p50
            assert one.outlet_free_mg_l.p50 <= inlet * (1 + 1e-12)


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(6)), st.floats(100.0, 800.0))
def test_the_order_of_logging_does_not_matter(order: list[int], flow: float) -> None:
    placings = (
        Placing(0.0, 1, "a", CARBON),
        Placing(0.0, 2, "b", CARBON),
        Placing(8.0, 1, "b"),
        Placing(8.0, 2, "c", CARBON),
        Placing(15.0, 1, None),
        Placing(17.0, 1, "d", CARBON),
    )
    base = train(flow_l_day=flow, level_mg_l=2.0)
    expected, shuffled = (
        certain(replace(base, placings=tuple(placings[index] for index in indices)))
        for indices in (range(6), order)
    )
    found, right = (
        [one.days for one in estimate_train(inputs, now_day=20.0, members=16).stages]
        for inputs in (shuffled, expected)
    )
    assert found == right


@given(st.floats(0.05, 1.0), st.floats(1.0, 500.0), st.floats(2.0, 300.0), st.floats(0.05, 2.0))
def test_a_larger_capacity_and_a_faster_rate_each_lengthen_life_in_their_own_way(
    state: float, capacity: float, flow: float, rate: float
) -> None:
    """Capacity moves the day by its own share of mass; rate only sharpens the front."""

    def day(capacity_mg: float, rate_l_mg_day: float) -> float:
        return float(
            days_to_outlet(
                state,
                limit_mg_l=0.1,
                inlet_mg_l=1.0,
                transfer_units=rate_l_mg_day * capacity_mg / flow,
                rate_l_mg_day=rate_l_mg_day,
            )
        )

    base, bigger, faster = day(capacity, rate), day(2 * capacity, rate), day(capacity, 2 * rate)
    assert bigger >= base - 1e-9 and faster >= base - 1e-9
    # Mass: no life is longer than what is left of the capacity allows, whatever the rate.
    assert faster <= state * capacity / flow + 1e-9
    if base > 0:
        assert bigger - base >= state * capacity / flow - 1e-6


def test_wear_is_the_same_however_the_past_is_cut() -> None:
    state = 1.0
    for _ in range(100):
        state = advance(state, dose_mg_day_l=1.3, transfer_units=30.0, rate_l_mg_day=0.2).remaining
    whole = advance(1.0, dose_mg_day_l=130.0, transfer_units=30.0, rate_l_mg_day=0.2).remaining
    assert state == pytest.approx(float(whole), rel=1e-9)
