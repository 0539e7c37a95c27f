"""Roots of many bracketed equations at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .arrays import FloatArray

MOST_EVALUATIONS = 60


def bracketed_roots(
    function: Callable[[FloatArray], FloatArray],
    *,
    low: FloatArray,
    high: FloatArray,
    at_low: FloatArray,
    at_high: FloatArray,
    tolerance: FloatArray,
) -> FloatArray:
    """Where function(x) = 0, element by element, between low and high.

    at_low <= 0 < at_high: the function's values there; tolerance: of x, absolute. All (n,).
    Method: Chandrupatla 1997, Adv. Eng. Softw. 28:145 (inverse quadratic where it is safe, else
    halving): about 8 to 12 evaluations, at most MOST_EVALUATIONS.
    """
    old, best = low.astype(np.float64), high.astype(np.float64)
    f_old, f_best = at_low.astype(np.float64), at_high.astype(np.float64)
    share = np.full(len(low), 0.5)
    for _ in range(MOST_EVALUATIONS):
        trial = best + share * (old - best)
        f_trial = function(trial)
        same = np.signbit(f_trial) == np.signbit(f_best)
        third, f_third = np.where(same, best, old), np.where(same, f_best, f_old)
        old, f_old = np.where(same, old, best), np.where(same, f_old, f_best)
        best, f_best = trial, f_trial
        width = np.abs(old - best)
        with np.errstate(divide="ignore", invalid="ignore"):
            least = np.where(f_best == 0.0, 1.0, 0.5 * tolerance / width)
            if (least > 0.5).all():
                break
            xi = (best - old) / (third - old)
            phi = (f_best - f_old) / (f_third - f_old)
            quadratic = f_best / (f_old - f_best) * f_third / (f_old - f_third) + (third - best) / (
                old - best
            ) * f_best / (f_third - f_best) * f_old / (f_third - f_old)
            safe = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi) & np.isfinite(quadratic)
            least = np.minimum(least, 0.5)
        share = np.clip(np.where(safe, quadratic, 0.5), least, 1.0 - least)
    return np.where(np.abs(f_best) < np.abs(f_old), best, old)
