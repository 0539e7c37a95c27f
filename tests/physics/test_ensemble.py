"""Members, weights, quantiles, and drawing anew."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import kstest, norm

from cartridges.physics.ensemble import (
    Members,
    effective_members,
    log_sd,
    prior_members,
    redraw,
    replicate_spread,
    sobol_uniforms,
    two_humped,
    weighted_quantiles,
    weights,
)

NAMES = ("source", "flow", "capacity:block")


def test_members_are_standard_normals_and_the_same_every_time() -> None:
    members = prior_members(names=NAMES, members=4096, seed=7)
    again = prior_members(names=NAMES, members=4096, seed=7)
    np.testing.assert_array_equal(members.z, again.z)
    assert np.isfinite(members.z).all()
    for name in NAMES:
        assert kstest(members.normal(name), "norm").statistic < 0.005
    assert abs(np.corrcoef(members.z.T)[0, 1]) < 0.01


def test_factors_have_the_spread_they_are_given() -> None:
    members = prior_members(names=NAMES, members=65_536, seed=7)
    factor = members.lognormal("source", cv=0.4)
    assert np.median(factor) == pytest.approx(1.0, rel=1e-3)
    assert factor.std() / factor.mean() == pytest.approx(0.4, rel=0.01)
    assert float(log_sd(0.0)) == 0.0
    even = members.uniform("flow", low=0.0, high=0.5)
    assert kstest(2 * even, "uniform").statistic < 0.002


@pytest.mark.parametrize(("members", "dims"), [(0, 2), (4, 0)])
def test_an_ensemble_of_nothing_is_refused(members: int, dims: int) -> None:
    with pytest.raises(ValueError, match="at least one"):
        sobol_uniforms(members=members, dims=dims, seed=1)


def test_weights_without_a_member_to_carry_them_are_refused() -> None:
    for nothing in ([-math.inf, -math.inf], [0.0, math.nan]):
        with pytest.raises(ValueError, match="weight"):
            weights(np.array(nothing))
    np.testing.assert_allclose(weights(np.array([-1e4, -1e4, -math.inf])), [0.5, 0.5, 0.0])


def test_effective_members_is_kishs() -> None:
    assert effective_members(np.full(50, 0.02)) == pytest.approx(50.0)
    assert effective_members(np.array([1.0, 0.0, 0.0])) == 1.0
    assert effective_members(np.array([3.0, 1.0])) == pytest.approx(16 / 10)


def test_quantiles_of_equal_weights_are_numpys_hazen() -> None:
    values = np.random.default_rng(4).lognormal(size=(3, 501))
    found = weighted_quantiles(values, np.full(501, 2.0), (0.1, 0.5, 0.9))
    expected = np.quantile(values, (0.1, 0.5, 0.9), axis=1, method="hazen").T
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_quantiles_follow_the_weights() -> None:
    values, weight = np.array([5.0, 1.0, 3.0]), np.array([0.0, 1.0, 3.0])
    assert weighted_quantiles(values, weight, 0.9)[0] == 3.0
    repeated = np.repeat([1.0, 2.0, 4.0], [200, 500, 300])
    three, shares = np.array([1.0, 2.0, 4.0]), np.array([2.0, 5.0, 3.0])
    by_weight = weighted_quantiles(three, shares, (0.05, 0.97))
    np.testing.assert_allclose(by_weight, np.quantile(repeated, (0.05, 0.97)))
    assert weighted_quantiles(np.array([7.0]), np.array([0.2]), (0.1, 0.9)).tolist() == [7.0, 7.0]


def test_quantiles_carry_infinity_and_nan() -> None:
    values = np.array([1.0, 2.0, math.inf, math.inf])
    found = weighted_quantiles(values, np.ones(4), (0.1, 0.9))
    assert found.tolist() == [1.0, math.inf]
    assert np.isnan(weighted_quantiles(np.array([1.0, math.nan]), np.ones(2), 0.5)).all()


def test_replicate_spread_of_a_sobol_ensemble_is_small_and_of_a_few_members_large() -> None:
    members = prior_members(names=NAMES, members=4096, seed=5)
    days = 100.0 * members.lognormal("source", cv=0.4) * members.lognormal("flow", cv=0.2)
    assert 0.0 < replicate_spread(days, np.ones(4096)) < 0.03
    few = np.where(np.arange(4096) % 500 == 3, 1.0, 1e-9)
    assert replicate_spread(days, few) > 0.1
    assert replicate_spread(np.zeros(4096), np.ones(4096)) == 0.0
    assert replicate_spread(np.full(4096, np.inf), np.ones(4096)) == 0.0
    half = np.where(np.arange(4096) < 2048, np.inf, 3.0)
    assert replicate_spread(half, np.ones(4096)) == math.inf
    assert replicate_spread(days, np.where(np.arange(4096) < 512, 0.0, 1.0)) == math.inf


def test_two_groups_are_told_from_one() -> None:
    z = norm.ppf((np.arange(2000) + 0.5) / 2000)
    even = np.ones(2000)
    one = 100.0 * np.exp(0.4 * z)
    assert not two_humped(one, even)
    assert not two_humped(np.maximum(one - 80.0, 0.0), even)  # cut off at now: still one group
    groups = np.where(np.arange(2000) % 2 == 0, 20.0 + 3.0 * z, 200.0 + 40.0 * z)
    assert two_humped(groups, even)
    blunder = np.where(np.arange(2000) % 3 == 0, 0.0, 200.0 * np.exp(0.3 * z))
    assert two_humped(blunder, even)
    rare = np.where(np.arange(2000) % 50 == 0, 1000.0, one)
    assert not two_humped(rare, even)
    assert not two_humped(np.full(2000, 5.0), even)
    assert not two_humped(np.full(2000, np.inf), even)


def test_drawing_anew_keeps_the_answer_exact() -> None:
    """A narrow, tilted posterior whose mean and spread are known in closed form.

    Prior standard normals x, y; evidence x + y = 3 with sd 0.2: conditioned on it the mean of x is
    3/(2 + 0.04) and its variance 1 - 1/(2 + 0.04).
    """

    def log_likelihood(members: Members) -> np.ndarray:
        total = members.normal("source") + members.normal("flow")
        return -0.5 * ((total - 3.0) / 0.2) ** 2

    members = prior_members(names=NAMES, members=4096, seed=11)
    members = Members(NAMES, members.z, log_likelihood(members))
    before = effective_members(weights(members.log_weight))
    for seed in (12, 13):
        members = redraw(members, told=("source", "flow"), count=4096, seed=seed)
        members = Members(NAMES, members.z, members.log_weight + log_likelihood(members))
    weight = weights(members.log_weight)
    assert effective_members(weight) > 5 * before
    x, other = members.normal("source"), members.normal("capacity:block")
    mean = float(weight @ x)
    assert mean == pytest.approx(3 / 2.04, abs=0.03)
    assert float(weight @ (x - mean) ** 2) == pytest.approx(1 - 1 / 2.04, rel=0.06)
    # What the tests do not speak of stays as it was.
    assert float(weight @ other) == pytest.approx(0.0, abs=0.04)
    assert float(weight @ other**2) == pytest.approx(1.0, rel=0.06)


def test_drawing_anew_survives_a_single_member_with_all_the_weight() -> None:
    members = prior_members(names=NAMES, members=256, seed=3)
    log_weight = np.full(256, -np.inf)
    log_weight[17] = 0.0
    fresh = redraw(Members(NAMES, members.z, log_weight), told=NAMES, count=256, seed=4)
    assert np.isfinite(fresh.z).all() and np.isfinite(fresh.log_weight).all()
