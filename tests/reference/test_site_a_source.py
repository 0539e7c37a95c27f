"""A real city's daily free chlorine (tests/data/real/, site A) as source history.

The expected figures are counted here from the file in plain Python, not by the model.
"""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from cartridges.physics.source import (
    CAP_REL_SD,
    SourceSeries,
    TotalUnknown,
    future_source_steps,
    mean_over,
    source_steps,
)

FILE = Path(__file__).parent.parent / "data" / "real" / "tap_chlorine_site_a.csv"


def rows() -> list[tuple[float, float]]:
    with FILE.open(newline="") as lines:
        return [
            (float(date.fromisoformat(row["sampled_on"]).toordinal()), float(value))
            for row in csv.DictReader(lines)
            if (value := row["free_chlorine_mg_l"])
        ]


@pytest.fixture(scope="module")
def readings() -> SourceSeries:
    day, free = (np.array(column) for column in zip(*rows(), strict=True))
    return SourceSeries(day, free, np.full(len(day), np.nan))


def test_every_row_is_used(readings: SourceSeries) -> None:
    assert len(readings) == len(rows()) == 547


def test_each_day_has_the_last_sample_at_or_before_it(readings: SourceSeries) -> None:
    first, last = int(readings.day[0]), int(readings.day[-1])
    steps = source_steps(
        readings=readings,
        switches=(),
        disinfectant="free_chlorine",
        start_day=first,
        end_day=last + 1,
    )
    sampled = dict(rows())
    assert set(range(first, last + 1)) - set(sampled), "the series has missing days"
    held = 0.0
    for day in range(first, last + 1):
        held = sampled.get(float(day), held)
        that_day = mean_over(steps, start_day=day, end_day=day + 1)
        assert that_day.free_mg_l == pytest.approx(held, rel=1e-12)
        assert that_day.combined_mg_l == 0
    assert steps.total_mg_l @ steps.duration_days == pytest.approx(
        sum(sampled[max(d for d in sampled if d <= day)] for day in range(first, last + 1)),
        rel=1e-12,
    )


def test_daily_samples_are_known_far_better_than_the_cap(readings: SourceSeries) -> None:
    steps = source_steps(
        readings=readings,
        switches=(),
        disinfectant="free_chlorine",
        start_day=readings.day[60],
        end_day=readings.day[-1],
    )
    assert mean_over(steps, start_day=0, end_day=np.inf).rel_sd < 0.08
    assert steps.rel_sd.max() < CAP_REL_SD


def test_the_future_is_the_mean_of_the_last_month(readings: SourceSeries) -> None:
    now = readings.day[-1] + 1
    steps = future_source_steps(
        readings=readings,
        switches=(),
        disinfectant="free_chlorine",
        now_day=now,
        end_day=now + 365,
    )
    sampled = dict(rows())
    month = [sampled[max(d for d in sampled if d <= day)] for day in np.arange(now - 30, now)]
    assert steps.free_mg_l == pytest.approx(np.full(len(steps), sum(month) / 30), rel=1e-12)


def test_free_chlorine_alone_cannot_stand_for_chloramine(readings: SourceSeries) -> None:
    with pytest.raises(TotalUnknown):
        source_steps(
            readings=readings,
            switches=(),
            disinfectant="chloramine",
            start_day=readings.day[0],
            end_day=readings.day[-1],
        )
