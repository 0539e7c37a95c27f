"""What one reading says of the members: censored, relative with a floor, and blunders."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from cartridges.physics.conditioning import (
    BLUNDER_SHARE,
    BLUNDER_TOP_MG_L,
    FLOOR_MG_L,
    LEAST_STEP_MG_L,
    check_reading,
    evidence,
)
from cartridges.physics.train import OutletReading

READING = OutletReading("one", 10.0, 1, "total", 0.3, below=False)
LEVELS = np.array([0.0, 1e-6, 0.01, 0.05, 0.1, 0.3, 0.8, 2.0])


def test_a_value_speaks_for_levels_near_it_by_ratio() -> None:
    found = evidence(LEVELS, reading=READING).log_likelihood
    assert found.argmax() == 5
    assert found[6] > found[0] and found[4] > found[0]
    # Relative: a third and threefold are equally far, but for the floor.
    third, threefold = evidence(np.array([0.1, 0.9]), reading=READING).log_likelihood
    assert third == pytest.approx(threefold, rel=0.05)


def test_the_likelihood_of_a_value_is_a_density_over_ln() -> None:
    """Integrated over all readings it is 1, but for honest readings beyond the blunders' range."""

    def density(shown: float) -> float:
        value = math.exp(shown) - FLOOR_MG_L
        reading = replace(READING, value_mg_l=value)
        return math.exp(float(evidence(np.array([0.2]), reading=reading).log_likelihood[0]))

    top = math.log(BLUNDER_TOP_MG_L + FLOOR_MG_L)
    total, _ = quad(density, math.log(FLOOR_MG_L) + 1e-9, top, points=[math.log(0.205)])
    assert total == pytest.approx(1.0, abs=1e-4)


def test_below_is_censored_never_zero() -> None:
    below = evidence(LEVELS, reading=replace(READING, value_mg_l=0.1, below=True))
    share = np.exp(below.log_likelihood)
    assert (np.diff(share) <= 0).all()
    # A level well under the limit is as good as none at all: the reading does not say "zero".
    assert share[2] == pytest.approx(share[0], rel=0.02)
    assert share[4] == pytest.approx(0.5, abs=0.02)
    assert share[7] < BLUNDER_SHARE


def test_a_logged_zero_is_read_as_below_the_least_step() -> None:
    zero = evidence(LEVELS, reading=replace(READING, value_mg_l=0.0))
    least = evidence(LEVELS, reading=replace(READING, value_mg_l=LEAST_STEP_MG_L, below=True))
    np.testing.assert_array_equal(zero.log_likelihood, least.log_likelihood)


def test_a_value_that_fits_nothing_is_a_blunder_and_one_that_fits_is_not() -> None:
    found = evidence(np.array([0.3, 1e-6]), reading=READING)
    assert found.blunder[0] < 0.01 and found.blunder[1] > 0.99


def test_the_kits_error_lies_in_the_published_range() -> None:
    """Murray & Lantagne 2015 published errors of chlorine kits of 5 to 40 %."""
    assert 0.05 <= READING.rel_sd <= 0.40
    sure = evidence(LEVELS, reading=replace(READING, rel_sd=0.05)).log_likelihood
    loose = evidence(LEVELS, reading=READING).log_likelihood
    assert sure[5] - sure[4] > loose[5] - loose[4]


def test_nan_stays_nan() -> None:
    assert np.isnan(evidence(np.array([math.nan]), reading=READING).log_likelihood[0])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"value_mg_l": math.nan}, "finite"),
        ({"value_mg_l": -0.1}, "not negative"),
        ({"rel_sd": 0.0}, "above zero"),
        ({"species": "combined"}, "free"),
        ({"after_stage": 3}, "stage 3"),
        ({"after_stage": 0}, "stage 0"),
        ({"day": 11.0}, "future"),
        ({"day": math.nan}, "future"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        check_reading(replace(READING, **changes), stage_count=2, now_day=10.5)
