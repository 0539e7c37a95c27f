"""How far the tap's chlorine may have been misjudged: in the past as a whole, and from now on.

Each reading has an error of its own, carried until the next one; all share a bias (one kit, one
pair of eyes). What a bed has taken up rests on the mean of those errors, weighted by dose, so it is
known better than any single stretch. What comes next rests on the last reading alone, and is bound
to the past only as far as that reading made up the past.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .levels import SourceSteps

BIAS_REL_SD = 0.05
"""Part of a test's error that never averages out (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SourceError:
    """past_rel_sd: relative sd of the past's mean level, weighted by dose. correlation: of that
    error with the error of the level from now on, from 0 to 1."""

    past_rel_sd: float
    correlation: float


def source_error(
    *, past: SourceSteps, start_day: float, now_day: float, future_rel_sd: float
) -> SourceError:
    """The error of the source from start_day to now_day, and its tie to what comes.

    past: the carried source; consecutive steps of one level count as one stretch, carried from one
    reading (two equal readings in a row as one: the cautious way). With dose shares w_k, errors
    s_k of the stretches and the bias B (no larger than any s_k):

        past² = B² + sum of w_k² (s_k² - B²)
        covariance with the future = B² + w_last (s_last² - B²)

    future_rel_sd: relative sd of the level just after now_day, not negative. Where no step lies
    between start_day and now_day, or none holds chlorine, the future's sd and correlation 1.
    A negative or non-finite future_rel_sd raises ValueError.
    """
    if not (math.isfinite(future_rel_sd) and future_rel_sd >= 0.0):
        raise ValueError("future_rel_sd must be a number, not negative")
    start = np.clip(past.start_day, start_day, now_day)
    days = np.clip(past.end_day, start_day, now_day) - start
    dose = days * past.total_mg_l
    whole = float(dose.sum())
    if not whole > 0.0:
        return SourceError(future_rel_sd, 1.0)
    changed = (np.diff(past.free_mg_l) != 0.0) | (np.diff(past.combined_mg_l) != 0.0)
    stretch = np.concatenate(([0], np.cumsum(changed)))
    doses = np.bincount(stretch, weights=dose)
    sd = np.bincount(stretch, weights=dose * past.rel_sd)[doses > 0.0] / doses[doses > 0.0]
    share = doses[doses > 0.0] / whole
    bias = min(BIAS_REL_SD, float(sd.min()))
    own = sd**2 - bias**2
    past_sd = math.sqrt(bias**2 + float(share**2 @ own))
    covariance = bias**2 + float(share[-1] * own[-1])
    spread = past_sd * future_rel_sd
    return SourceError(past_sd, min(1.0, covariance / spread) if spread > 0.0 else 1.0)
