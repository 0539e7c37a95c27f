"""Many bracketed roots at once, against scipy's brentq one by one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from cartridges.physics.bed import softplus
from cartridges.physics.roots import bracketed_roots


def test_roots_are_those_of_a_trusted_solver_in_few_evaluations() -> None:
    """Functions like ln(outlet/limit): far below zero at first, then a knee, then flat."""
    rng = np.random.default_rng(3)
    steep, middle = 10 ** rng.uniform(-1.3, 0.5, 500), rng.uniform(100.0, 900.0, 500)
    calls = 0

    def saturating(x: np.ndarray) -> np.ndarray:
        nonlocal calls
        calls += 1
        return 3.0 - softplus(steep * (middle - x))

    low, high = np.zeros(500), np.full(500, 3652.5)
    found = bracketed_roots(
        saturating,
        low=low,
        high=high,
        at_low=saturating(low),
        at_high=saturating(high),
        tolerance=np.full(500, 1e-4),
    )
    assert calls - 2 <= 25
    for index in range(0, 500, 25):
        trusted = brentq(
            lambda x, s=steep[index], m=middle[index]: 3.0 - np.logaddexp(0.0, s * (m - x)),
            0.0,
            3652.5,
        )
        assert found[index] == pytest.approx(trusted, abs=2e-4)


def test_a_root_at_an_end_is_found() -> None:
    found = bracketed_roots(
        lambda x: x - np.array([0.0, 5.0]),
        low=np.zeros(2),
        high=np.array([5.0, 5.0 + 1e-9]),
        at_low=np.array([0.0, -5.0]),
        at_high=np.array([5.0, 1e-9]),
        tolerance=np.full(2, 1e-6),
    )
    np.testing.assert_allclose(found, [0.0, 5.0], atol=1e-6)
