"""Time to turn ten years of daily meter readings into segments.

Times are printed, not asserted. Asserted are ratios to work measured in the same run: ten years
against one month, and against a plain loop that only filters the same number of observations.
"""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from cartridges.physics.throughput import (
    BucketTest,
    MeterRun,
    Restrictor,
    Shutoff,
    Steps,
    Throughput,
    throughput,
)

TEN_YEARS = 3650
MONTH = 30


def history(days: int) -> Callable[[], Throughput]:
    """A household that reads its meter daily, with a shut-off, a new restrictor and seasons."""
    rng = np.random.default_rng(days)
    day = np.arange(days + 1) + rng.uniform(-0.1, 0.1, days + 1)
    reading_l = np.concatenate(([0.0], np.cumsum(rng.uniform(120, 180, days))))
    season_day = np.arange(0.0, days, 30.0)
    season_c = 14 + 8 * np.sin(2 * np.pi * season_day / 365)

    def build() -> Throughput:
        return throughput(
            start_day=0,
            end_day=days + 10,
            restrictors=[Restrictor(-5, 150), Restrictor(days / 2, 300)],
            meters=[MeterRun(day, reading_l, np.zeros(days + 1, dtype=bool))],
            bucket_tests=[BucketTest(at, 150) for at in np.linspace(1, days / 2, 10)],
            shutoffs=[Shutoff(days / 3, days / 3 + 2)],
            pressure_kpa=Steps([0], [400]),
            temperature_c=Steps(season_day, season_c),
        )

    return build


def least_s(work: Callable[[], object], times: int = 15) -> float:
    """The shortest of several runs, which other work on the machine disturbs least."""

    def once() -> float:
        began = perf_counter()
        work()
        return perf_counter() - began

    return min(once() for _ in range(times))


def scalar_filter() -> float:
    """The least work a sequential filter of ten years can do, in plain Python."""
    mean, variance = 0.0, 0.01
    for day in range(TEN_YEARS):
        variance += 1.6e-5
        gain = variance / (variance + 4e-4)
        mean += gain * (day % 7 * 0.01 - mean)
        variance *= 1 - gain
    return mean


@pytest.mark.benchmark(group="throughput")
def test_ten_years_of_daily_readings(benchmark: BenchmarkFixture) -> None:
    ten_years = history(TEN_YEARS)
    result = benchmark(ten_years)
    assert len(result.segments) > TEN_YEARS
    assert result.correction.observations > TEN_YEARS - 5
    month_s, ten_years_s = least_s(history(MONTH)), least_s(ten_years)
    # 122 times the readings: a cost that grew with their square would be 15,000 times.
    assert ten_years_s < 40 * month_s
    assert ten_years_s < 60 * least_s(scalar_filter)
    benchmark.extra_info["ratio_to_one_month"] = ten_years_s / month_s
    benchmark.extra_info["ratio_to_scalar_filter"] = ten_years_s / least_s(scalar_filter)
