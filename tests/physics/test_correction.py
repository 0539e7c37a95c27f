"""The correction factor: against a batch solution, and recovering factors that were hidden."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.correction import (
    DRIFT_SD_PER_ROOT_DAY,
    METER_REL_SD,
    PRIOR_SD,
    SHARED,
    interval_sd,
    learn_correction,
)
from cartridges.physics.throughput import BucketTest, throughput

from .flows import SUPPLY, meter, orifice


def batch(
    day: np.ndarray, log_ratio: np.ndarray, sd: np.ndarray, asked: float, change: float = np.inf
) -> tuple[float, float]:
    """Mean and sd of ln(factor) at `asked`: the Gaussian conditional from the full covariance.

    No filter: the level starts as N(0, PRIOR_SD²) at the first observation, walks randomly, and
    at `change` is multiplied by SHARED with fresh variance (1 - SHARED²) PRIOR_SD². Every
    moment is a linear map of independent shocks, so the covariance is their product.
    """
    moments = np.unique(np.concatenate((day, [asked], [change] if np.isfinite(change) else [])))
    moments = moments[moments >= day.min()]
    rows = [np.eye(1, 2 * len(moments))[0] * PRIOR_SD]
    for k in range(1, len(moments)):
        row = rows[-1].copy()
        row[2 * k] = DRIFT_SD_PER_ROOT_DAY * np.sqrt(moments[k] - moments[k - 1])
        if moments[k] == change:
            row = SHARED * row
            row[2 * k + 1] = np.sqrt(1 - SHARED**2) * PRIOR_SD
        rows.append(row)
    shocks = np.array(rows)
    seen = shocks[np.searchsorted(moments, day)]
    target = shocks[np.searchsorted(moments, asked)]
    inverse = np.linalg.inv(seen @ seen.T + np.diag(sd**2))
    mean = target @ seen.T @ inverse @ log_ratio
    variance = target @ target - target @ seen.T @ inverse @ seen @ target
    return float(mean), float(np.sqrt(variance))


DAYS = np.array([3.0, 10.0, 11.0, 40.0, 90.0, 130.0])
LOGS = np.array([-0.11, -0.02, -0.15, -0.08, 0.05, 0.02])
SDS = np.array([0.02, 0.04, 0.05, 0.02, 0.03, 0.02])


@pytest.mark.parametrize("asked", [10.0, 25.0, 40.0, 129.0, 130.0, 180.0])
def test_filter_agrees_with_the_batch_solution_of_the_past(asked: float) -> None:
    track = learn_correction(day=DAYS, ratio=np.exp(LOGS), rel_sd=SDS)
    factor, sd = track.at(asked)
    known = asked >= DAYS
    mean, batch_sd = batch(DAYS[known], LOGS[known], SDS[known], asked)
    assert np.log(factor) == pytest.approx(mean, abs=1e-12)
    assert sd == pytest.approx(batch_sd, rel=1e-9)


@pytest.mark.parametrize("asked", [3.0, 7.0, 10.0, 25.0, 89.0, 130.0, 180.0])
def test_hindsight_agrees_with_the_batch_solution_of_everything(asked: float) -> None:
    track = learn_correction(day=DAYS, ratio=np.exp(LOGS), rel_sd=SDS)
    factor, sd = track.at(asked, hindsight=True)
    mean, batch_sd = batch(DAYS, LOGS, SDS, asked)
    assert np.log(factor) == pytest.approx(mean, abs=1e-12)
    assert sd == pytest.approx(batch_sd, rel=1e-9)


@pytest.mark.parametrize("asked", [20.0, 49.0, 50.0, 70.0, 95.0])
def test_a_restrictor_change_agrees_with_the_batch_solution(asked: float) -> None:
    track = learn_correction(day=DAYS, ratio=np.exp(LOGS), rel_sd=SDS, change_day=[50.0])
    known = asked >= DAYS
    mean, sd = batch(DAYS[known], LOGS[known], SDS[known], asked, 50.0 if asked >= 50 else np.inf)
    assert np.log(track.at(asked)[0]) == pytest.approx(mean, abs=1e-12)
    assert track.at(asked)[1] == pytest.approx(sd, rel=1e-9)
    mean, sd = batch(DAYS, LOGS, SDS, asked, 50.0)
    assert np.log(track.at(asked, hindsight=True)[0]) == pytest.approx(mean, abs=1e-12)
    assert track.at(asked, hindsight=True)[1] == pytest.approx(sd, rel=1e-9)


@given(
    hidden=st.floats(0.75, 1.3),
    seed=st.integers(0, 2**32 - 1),
    rated_flow_l_day=st.floats(40, 2000),
)
def test_a_hidden_factor_is_recovered_from_weekly_readings(
    hidden: float, seed: int, rated_flow_l_day: float
) -> None:
    rng = np.random.default_rng(seed)
    weeks = np.arange(53) * 7.0
    passed = rated_flow_l_day * hidden * 7.0 * np.exp(rng.normal(0, METER_REL_SD, 52))
    result = throughput(
        start_day=0,
        end_day=weeks[-1],
        restrictors=[orifice(0, rated_flow_l_day)],
        meters=[meter(weeks, np.concatenate(([0], np.cumsum(passed))))],
        **SUPPLY,
    )
    # Six standard deviations: one false alarm in 500 million.
    off = np.log(result.correction.factor / hidden)
    assert abs(off) < 6 * result.correction.rel_sd
    assert result.correction.rel_sd < METER_REL_SD
    assert result.correction.observations == 52


@given(hidden=st.floats(0.75, 1.3), seed=st.integers(0, 2**32 - 1))
def test_a_hidden_factor_is_recovered_from_bucket_tests(hidden: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0, 60, 20))
    tests = [BucketTest(day, 300 * hidden * np.exp(rng.normal(0, 0.04)), 0.04) for day in days]
    result = throughput(
        start_day=0, end_day=60, restrictors=[orifice(0, 300)], bucket_tests=tests, **SUPPLY
    )
    assert abs(np.log(result.correction.factor / hidden)) < 6 * result.correction.rel_sd
    assert result.future_flow_l_day == pytest.approx(300 * result.correction.factor)


def test_the_stated_error_is_the_real_one() -> None:
    """Factors drawn from the prior, drifting, seen with noise: errors spread as stated."""
    rng = np.random.default_rng(20)
    count, gaps = 2_000, np.full(14, 9.0)
    day = np.cumsum(gaps)
    misses = np.empty((count, 2))
    for one in range(count):
        walk = rng.normal(0, DRIFT_SD_PER_ROOT_DAY * np.sqrt(gaps))
        walk[0] = rng.normal(0, PRIOR_SD)
        level = np.cumsum(walk)
        seen = level + rng.normal(0, 0.03, len(day))
        track = learn_correction(day=day, ratio=np.exp(seen), rel_sd=np.full(len(day), 0.03))
        for column, (asked, hindsight) in enumerate(((day[-1], False), (day[5], True))):
            factor, sd = track.at(asked, hindsight=hindsight)
            truth = level[np.searchsorted(day, asked)]
            misses[one, column] = (np.log(factor) - truth) / sd
    # The sd of 2,000 unit normals is 1 ± 0.016, their mean 0 ± 0.022: four times that allowed.
    assert misses.std(axis=0) == pytest.approx([1, 1], abs=0.064)
    assert misses.mean(axis=0) == pytest.approx([0, 0], abs=0.09)


@given(counts=st.lists(st.integers(1, 60), min_size=2, max_size=2, unique=True))
def test_more_data_never_leaves_more_doubt(counts: list[int]) -> None:
    few, many = sorted(counts)

    def sd(count: int) -> float:
        track = learn_correction(
            day=100.0 - np.arange(count), ratio=np.full(count, 0.9), rel_sd=np.full(count, 0.04)
        )
        return track.latest(day=100.0).rel_sd

    assert sd(many) < sd(few) < PRIOR_SD


@given(ages=st.lists(st.floats(0, 3000), min_size=2, max_size=2))
def test_doubt_grows_with_drift_up_to_that_of_a_stranger(ages: list[float]) -> None:
    track = learn_correction(day=[0.0, 1.0], ratio=[0.9, 0.9], rel_sd=[0.03, 0.03])
    sooner, later = (float(track.at(1.0 + age)[1]) for age in sorted(ages))
    assert sooner <= later <= PRIOR_SD
    start = float(track.at(1.0)[1])
    year = float(track.at(366.0)[1])
    assert year == pytest.approx(np.sqrt(start**2 + 365 * DRIFT_SD_PER_ROOT_DAY**2))
    assert float(track.at(1e5)[1]) == PRIOR_SD


def test_the_factor_itself_does_not_move_without_data() -> None:
    track = learn_correction(day=[5.0], ratio=[0.8], rel_sd=[0.03])
    assert track.at(5.0)[0] == track.at(900.0)[0] < 0.85
    assert track.at([4.999, -1e3])[0].tolist() == [1.0, 1.0]
    assert np.isnan(track.at([np.nan])).all()


def test_short_and_small_intervals_are_trusted_less() -> None:
    length = np.array([0.1, 1.0, 7.0])
    short, day, week = interval_sd(volume_l=300 * length, length_days=length)
    assert short > 2 * day > 2 * week > 2 * METER_REL_SD
    drip, stream = interval_sd(volume_l=np.array([10.0, 1000.0]), length_days=np.array([7.0, 7.0]))
    assert drip > 4 * stream


def test_drift_within_an_interval_counts_as_the_mean_of_a_walk_against_its_end() -> None:
    # Walks drawn here, not the closed form: end minus mean of 4,000 walks of 400 days.
    rng = np.random.default_rng(7)
    walks = rng.normal(0, DRIFT_SD_PER_ROOT_DAY, (4_000, 400)).cumsum(axis=1)
    drawn = (walks[:, -1] - walks.mean(axis=1)).std()
    stated = interval_sd(volume_l=np.array([1e9]), length_days=np.array([400.0]))[0]
    assert np.sqrt(stated**2 - METER_REL_SD**2) == pytest.approx(drawn, rel=0.04)


def test_an_hour_at_a_wild_rate_moves_the_factor_less_than_a_week_of_it() -> None:
    def factor(length: float) -> float:
        result = throughput(
            start_day=0,
            end_day=10,
            restrictors=[orifice(0, 300)],
            meters=[meter([2, 2 + length], [0, 300 * 1.2 * length])],
            **SUPPLY,
        )
        return result.correction.factor

    assert 1.0 < factor(1 / 24) < 1.03
    assert 1.15 < factor(7.0) < 1.2


def test_an_interval_with_two_restrictors_teaches_less_of_the_second() -> None:
    def sd(fitted_day: float) -> float:
        result = throughput(
            start_day=0,
            end_day=20,
            restrictors=[orifice(-5, 300), orifice(fitted_day, 300)],
            meters=[meter([0, 20], [0, 5400])],
            **SUPPLY,
        )
        return result.correction.rel_sd

    assert sd(0.0) < sd(10.0) < sd(18.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ratio": [0.0, 1.0]}, "above 0"),
        ({"ratio": [np.nan, 1.0]}, "finite"),
        ({"rel_sd": [0.1, 0.0]}, "above 0"),
        ({"day": [np.inf, 1.0]}, "finite"),
        ({"day": [1.0]}, "equally long"),
        ({"change_day": [np.nan]}, "finite"),
    ],
)
def test_impossible_measurements_are_refused(change: dict[str, object], words: str) -> None:
    fine = {"day": [0.0, 1.0], "ratio": [1.0, 1.0], "rel_sd": [0.1, 0.1]}
    with pytest.raises(ValueError, match=words):
        learn_correction(**(fine | change))
