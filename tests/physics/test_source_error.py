"""The tap's error over the past and from now on, against drawing every reading's error."""

from __future__ import annotations

import numpy as np
import pytest

from cartridges.physics.levels import SourceSteps
from cartridges.physics.source_error import BIAS_REL_SD, source_error


def steps(levels, lengths, rel_sd) -> SourceSteps:
    end = np.cumsum(lengths)
    return SourceSteps(
        start_day=end - lengths,
        end_day=end,
        free_mg_l=np.zeros(len(levels)),
        combined_mg_l=np.asarray(levels, dtype=float),
        rel_sd=np.asarray(rel_sd, dtype=float),
    )


def found(past: SourceSteps, *, start_day=0.0, future_rel_sd=0.25):
    return source_error(
        past=past,
        start_day=start_day,
        now_day=float(past.end_day[-1]),
        future_rel_sd=future_rel_sd,
    )


def test_one_reading_errs_as_much_in_the_past_as_from_now_on():
    error = found(steps([2.0], [90.0], [0.25]))
    assert error.past_rel_sd == pytest.approx(0.25)
    assert error.correlation == pytest.approx(1.0)


def test_steps_of_one_reading_that_only_grows_older_are_one_stretch():
    error = found(steps([2.0, 2.0], [30.0, 30.0], [0.10, 0.20]), future_rel_sd=0.20)
    assert error.past_rel_sd == pytest.approx(0.15)
    assert error.correlation == pytest.approx(0.15**2 / (0.15 * 0.20))


@pytest.mark.parametrize("count", [4, 16])
def test_many_readings_average_out_down_to_the_bias(count: int):
    levels = 2.0 + 0.01 * np.arange(count)
    error = found(steps(levels, [10.0] * count, [0.2] * count), future_rel_sd=0.2)
    own = 0.2**2 - BIAS_REL_SD**2
    assert error.past_rel_sd == pytest.approx(np.sqrt(BIAS_REL_SD**2 + own / count), rel=1e-3)
    assert error.correlation < 1.0 / np.sqrt(count) + BIAS_REL_SD / error.past_rel_sd


def test_against_drawing_the_error_of_every_reading():
    levels, lengths = [1.5, 2.5, 2.0, 3.0], [20.0, 60.0, 15.0, 40.0]
    sd = np.array([0.10, 0.22, 0.15, 0.18])
    error = found(steps(levels, lengths, sd), future_rel_sd=sd[-1])
    rng = np.random.default_rng(20)
    bias = BIAS_REL_SD * rng.standard_normal(400_000)
    drawn = bias + np.sqrt(sd**2 - BIAS_REL_SD**2)[:, None] * rng.standard_normal((4, 400_000))
    share = np.multiply(levels, lengths) / np.dot(levels, lengths)
    past = share @ drawn
    assert error.past_rel_sd == pytest.approx(past.std(), rel=0.01)
    assert error.correlation == pytest.approx(np.corrcoef(past, drawn[-1])[0, 1], abs=0.005)


def test_only_the_time_that_matters_counts():
    past = steps([2.0, 1.0], [100.0, 50.0], [0.25, 0.10])
    assert found(past, start_day=100.0).past_rel_sd == pytest.approx(0.10)


def test_without_chlorine_or_time_the_past_says_nothing_of_its_own():
    assert found(steps([0.0], [10.0], [0.1]), future_rel_sd=0.2).past_rel_sd == 0.2
    assert found(steps([2.0], [10.0], [0.1]), start_day=10.0).correlation == 1.0


def test_nothing_uncertain_is_nothing_uncertain():
    error = found(steps([2.0], [10.0], [0.0]), future_rel_sd=0.0)
    assert (error.past_rel_sd, error.correlation) == (0.0, 1.0)


@pytest.mark.parametrize("bad", [-0.1, np.nan, np.inf])
def test_an_error_that_cannot_be_is_refused(bad: float):
    with pytest.raises(ValueError, match="future_rel_sd"):
        found(steps([2.0], [10.0], [0.1]), future_rel_sd=bad)
