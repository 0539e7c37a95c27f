"""How far the flow really is from what the restrictor should pass, learnt from measurements."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .arrays import BoolArray, FloatArray, equally_long, vector

# All of these are common practice, no source.
PRIOR_SD: Final = 0.10  # of ln(actual/expected) for a restrictor never measured
SHARED: Final = 0.5  # share of that variance common to all restrictors of one train
DRIFT_SD_PER_ROOT_DAY: Final = 0.004  # slow change: 4 % in a hundred days
METER_REL_SD: Final = 0.02  # of a metered volume
READING_SD_L: Final = 1.5  # of the difference of two readings to the whole US gallon
TIMING_SD_DAYS: Final = 0.01  # of the length of an interval, readings noted to ten minutes


@dataclass(frozen=True, slots=True)
class Correction:
    """factor: actual over expected flow. rel_sd: its relative sd. observations: how many."""

    factor: float
    rel_sd: float
    observations: int


@dataclass(frozen=True, slots=True, eq=False)
class CorrectionTrack:
    """The correction as learnt over time: one entry per observation or restrictor change.

    day: sorted, shape (n,). mean, variance: of ln(factor) with all that was known just after
    that moment. predicted, predicted_variance: just before its observation. carry: how much of
    ln(factor) passed the moment (below 1 at a restrictor change). observed: running count.
    later_mean, later_variance: with everything known, also from later days.
    """

    day: FloatArray
    mean: FloatArray
    variance: FloatArray
    predicted: FloatArray
    predicted_variance: FloatArray
    carry: FloatArray
    observed: FloatArray
    later_mean: FloatArray
    later_variance: FloatArray

    def at(self, day: ArrayLike, *, hindsight: bool = False) -> tuple[FloatArray, FloatArray]:
        """Factor and its relative sd at each of `day` (any shape; NaN gives NaN).

        hindsight False: from what had been measured by that day. True: also from what was
        measured later. Before anything is known the factor is 1 with PRIOR_SD.
        """
        asked = np.asarray(day, dtype=np.float64)
        before = np.searchsorted(self.day, asked, side="right")
        began = np.concatenate(([0.0], self.day))[before]
        mean = np.concatenate(([0.0], self.mean))[before]
        variance = np.concatenate(([PRIOR_SD**2], self.variance))[before]
        variance = variance + _drift(np.where(before > 0, asked - began, 0.0), variance)
        if hindsight and len(self.day):
            # Past the last entry nothing later is known: gain 0 against an entry of no matter.
            after = np.minimum(before, len(self.day) - 1)
            gain = variance * self.carry[after] / self.predicted_variance[after]
            gain = np.where(before < len(self.day), gain, 0.0)
            mean = mean + gain * (self.later_mean - self.predicted)[after]
            change = self.later_variance - self.predicted_variance
            variance = variance + gain**2 * change[after]
        unknown = np.where(np.isnan(asked), np.nan, 0.0)
        return np.asarray(np.exp(mean) + unknown), np.asarray(np.sqrt(variance) + unknown)

    def latest(self, *, day: float) -> Correction:
        """The correction at `day`, from the observations complete by then."""
        factor, rel_sd = self.at(day)
        before = int(np.searchsorted(self.day, day, side="right"))
        count = int(self.observed[before - 1]) if before else 0
        return Correction(float(factor), float(rel_sd), count)


def _drift(days: FloatArray, variance: FloatArray) -> FloatArray:
    """Variance gained in `days` of slow change; never lifts a variance above the prior's."""
    room = np.maximum(PRIOR_SD**2 - variance, 0.0)
    return np.minimum(DRIFT_SD_PER_ROOT_DAY**2 * days, room)


def interval_sd(*, volume_l: FloatArray, length_days: FloatArray) -> FloatArray:
    """Relative error of a metered interval's mean flow, as a sample of the flow at its end.

    The meter's own error, the reading's resolution (large in a short interval), the timing of
    the readings, and the drift within the interval (a third of its variance from start to end).
    volume_l and length_days above 0, one shape.
    """
    resolution = READING_SD_L / volume_l
    timing = TIMING_SD_DAYS / length_days
    drift = DRIFT_SD_PER_ROOT_DAY**2 * length_days / 3
    return np.asarray(np.sqrt(METER_REL_SD**2 + resolution**2 + timing**2 + drift))


def learn_correction(
    *, day: ArrayLike, ratio: ArrayLike, rel_sd: ArrayLike, change_day: ArrayLike = ()
) -> CorrectionTrack:
    """Follow ln(actual/expected) through all measurements: a local-level (Kalman) filter.

    day: when each measurement was complete, shape (n,), any order. ratio: measured over
    expected flow, above 0. rel_sd: its relative error, above 0. change_day: restrictor changes
    after the first restrictor.
    Prior: mean 0, sd PRIOR_SD. Between measurements the level drifts by DRIFT_SD_PER_ROOT_DAY,
    its variance never above the prior's. At a change the share SHARED of the variance is common
    to the old restrictor and the new (supply pressure, meter), the rest is the new one's own:
    mean → SHARED · mean, variance → SHARED² · variance + (1 - SHARED²) · prior.
    Anything not finite or not above 0 raises ValueError.
    Source: the filter and smoother are standard (Kalman 1960; Rauch, Tung and Striebel 1965;
    from memory).
    """
    days, ratios, sds = vector("day", day), vector("ratio", ratio), vector("rel_sd", rel_sd)
    changes = np.unique(vector("change_day", change_day))
    equally_long(day=days, ratio=ratios, rel_sd=sds)
    if not (np.isfinite(days).all() and np.isfinite(changes).all()):
        raise ValueError("days must be finite")
    if not (np.isfinite(ratios).all() and np.isfinite(sds).all()):
        raise ValueError("ratios and their errors must be finite")
    if (ratios <= 0).any() or (sds <= 0).any():
        raise ValueError("ratios and their errors must be above 0")
    when = np.concatenate((days, changes))
    is_change = np.arange(len(when)) >= len(days)
    level = np.concatenate((np.log(ratios), np.zeros(len(changes))))
    error = np.concatenate((sds**2, np.full(len(changes), np.inf)))
    order = np.lexsort((error, level, is_change, when))
    return _filtered(when[order], level[order], error[order], is_change[order])


# mean, variance, predicted mean, predicted variance, carry
_Row = tuple[float, float, float, float, float]


def _filtered(
    day: FloatArray, level: FloatArray, error: FloatArray, is_change: BoolArray
) -> CorrectionTrack:
    prior = PRIOR_SD**2
    drift = DRIFT_SD_PER_ROOT_DAY**2
    mean, variance, moment = 0.0, prior, float(day[0]) if len(day) else 0.0
    rows: list[_Row] = []
    events = zip(day.tolist(), level.tolist(), error.tolist(), is_change.tolist(), strict=True)
    for when, seen, seen_variance, changed in events:
        variance += min(drift * (when - moment), max(prior - variance, 0.0))
        moment = when
        carry = SHARED if changed else 1.0
        if changed:
            mean *= carry
            variance = carry**2 * variance + (1 - carry**2) * prior
        predicted, predicted_variance = mean, variance
        if not changed:
            gain = variance / (variance + seen_variance)
            mean += gain * (seen - mean)
            variance *= 1 - gain
        rows.append((mean, variance, predicted, predicted_variance, carry))
    columns = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    later_mean, later_variance = _smoothed(rows)
    return CorrectionTrack(
        day=day,
        mean=columns[0],
        variance=columns[1],
        predicted=columns[2],
        predicted_variance=columns[3],
        carry=columns[4],
        observed=np.cumsum(~is_change).astype(np.float64),
        later_mean=later_mean,
        later_variance=later_variance,
    )


def _smoothed(rows: list[_Row]) -> tuple[FloatArray, FloatArray]:
    """The backward pass: each entry's mean and variance given every later entry as well."""
    means, variances = [row[0] for row in rows], [row[1] for row in rows]
    for k in range(len(rows) - 2, -1, -1):
        _, _, predicted, predicted_variance, carry = rows[k + 1]
        gain = variances[k] * carry / predicted_variance
        means[k] += gain * (means[k + 1] - predicted)
        variances[k] += gain**2 * (variances[k + 1] - predicted_variance)
    return np.array(means), np.array(variances)
