"""How long an estimate takes, and how that compares with solving each member by scipy.

Times are reported, never asserted; the ratio is.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cartridges.physics.label import bed_from_claim
from cartridges.physics.train import OutletReading, Placing, TrainInputs, estimate_train

from ..physics.scenarios import CARBON, DRIP_L_DAY, FREE_CLAIM, SEDIMENT, certain, segments, source

NOW = 1095
SOLVED_MEMBERS = 3


def three_years(*, days: int = NOW, scatter: float = 0.08) -> TrainInputs:
    """Three stages, daily metered segments, weekly source tests; carbons swapped every 200 days."""
    rng = np.random.default_rng(8)
    weeks = -(-days // 7)
    placings = [Placing(0.0, 1, "s0", SEDIMENT)]
    for number, day in enumerate(range(0, days, 200)):
        placings.append(Placing(float(day), 2, f"a{number}", CARBON))
        placings.append(Placing(float(day), 3, f"b{number}", CARBON))
    return TrainInputs(
        stage_count=3,
        placings=tuple(placings),
        segments=segments(DRIP_L_DAY * np.exp(scatter * rng.standard_normal(days)), rel_sd=0.02),
        future_flow_l_day=DRIP_L_DAY,
        future_flow_rel_sd=0.05,
        source_past=source(rng.uniform(0.8, 1.6, weeks), each_days=7.0, rel_sd=0.10),
        source_future=source(1.2, start_day=days, each_days=4000.0, rel_sd=0.15),
        turbidity_ntu=0.3,
    )


def never_swapped() -> TrainInputs:
    """The same water through carbons large enough to last: all three years count."""
    inputs = three_years()
    large = replace(CARBON, key="large", capacity_mg=400_000.0)
    placings = (
        Placing(0.0, 1, "s", SEDIMENT),
        Placing(0.0, 2, "a", large),
        Placing(0.0, 3, "b", large),
    )
    return replace(inputs, placings=placings)


def by_solve_ivp(inputs: TrainInputs, *, capacity_mg: float, rate: float) -> float:
    """One member's day of the limit after the first bed, segment by segment, then to the event."""
    left = np.ones(2)

    def derivative(flow: float, level: float):
        units = rate * capacity_mg / flow

        def slope(_: float, now: np.ndarray) -> np.ndarray:
            after = level * np.exp(-units * np.cumsum(np.clip(now, 0.0, 1.0)))
            return -flow / capacity_mg * (np.append(level, after[:-1]) - after)

        return slope, units

    past = inputs.segments
    step = np.searchsorted(inputs.source_past.start_day, past.start_day, side="right") - 1
    for index in range(len(past)):
        slope, _ = derivative(past.flow_l_day[index], inputs.source_past.free_mg_l[step[index]])
        day = (0.0, past.duration_days[index])
        left = solve_ivp(slope, day, left, rtol=1e-6, atol=1e-9).y[:, -1]
    level = inputs.source_future.free_mg_l[0]
    slope, units = derivative(inputs.future_flow_l_day, level)

    def passes(_: float, now: np.ndarray) -> float:
        return float(level * np.exp(-units * now[0]) - inputs.limit_mg_l)

    passes.terminal = True
    solved = solve_ivp(slope, (0.0, 3652.5), left, rtol=1e-6, atol=1e-9, events=passes)
    return float(solved.t_events[0][0])


@pytest.mark.parametrize("name", ["swapped", "never_swapped"])
def test_three_stages_and_three_years_of_daily_segments(benchmark, name: str) -> None:
    inputs = three_years() if name == "swapped" else never_swapped()
    estimate = benchmark(estimate_train, inputs, now_day=float(NOW))
    benchmark.extra_info["steps"] = estimate.steps_used
    assert len(estimate.stages) == 3


def test_an_estimate_is_a_thousand_times_faster_than_solving_each_member(benchmark) -> None:
    inputs = never_swapped()
    rate = bed_from_claim(claim=FREE_CLAIM).rate_l_mg_day
    benchmark(estimate_train, inputs, now_day=float(NOW))
    ours_s = benchmark.stats.stats.median
    started = time.perf_counter()
    for share in np.linspace(0.9, 1.1, SOLVED_MEMBERS):
        assert by_solve_ivp(inputs, capacity_mg=share * 400_000.0, rate=rate) > 0.0
    scaled_s = (time.perf_counter() - started) / SOLVED_MEMBERS * 4096
    benchmark.extra_info["times_faster"] = round(scaled_s / ours_s)
    assert scaled_s >= 1000 * ours_s
    # It is the same answer: a member with nothing uncertain.
    stages = estimate_train(certain(inputs), now_day=float(NOW), members=16).stages
    solved = by_solve_ivp(inputs, capacity_mg=400_000.0, rate=rate)
    assert NOW + stages[1].days.p50 == pytest.approx(NOW + solved, rel=0.005)


@pytest.mark.parametrize("outlet", ["below", "positive"])
def test_an_estimate_that_outlet_tests_condition(benchmark, outlet: str) -> None:
    below = outlet == "below"
    readings = tuple(
        OutletReading(str(day), day, 2, "total", 0.1 if below else 0.2, below)
        for day in (1000.0, 1050.0, 1090.0)
    )
    estimate = benchmark(
        estimate_train, replace(three_years(), outlet_readings=readings), now_day=float(NOW)
    )
    benchmark.extra_info["effective_members"] = round(estimate.effective_members)
    assert estimate.effective_members > 50


def test_ten_years_of_readings_cost_little_more_than_a_month(benchmark) -> None:
    """One reading more, with ten years of daily readings or with one month of them."""
    long, short = three_years(days=3650), three_years(days=30)
    started = time.perf_counter()
    for _ in range(5):
        estimate_train(short, now_day=30.0)
    short_s = (time.perf_counter() - started) / 5
    benchmark(estimate_train, long, now_day=3650.0)
    ratio = benchmark.stats.stats.median / short_s
    benchmark.extra_info["times_a_month"] = round(ratio, 1)
    assert ratio <= 10.0
