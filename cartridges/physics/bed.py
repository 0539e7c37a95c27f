"""The carbon bed: exact, with one number of state.

Rate law (Bohart & Adams 1920, J. Am. Chem. Soc. 42:523), plug flow: u dC/dz = -k N C and
dN/dt = -w k N C, with N the capacity left, w the capacity used per mg removed. With S the mean
fraction of capacity left (0 to 1), M the capacity [mg], Q the flow [L/day] and b = k M/Q the
transfer units of the fresh bed, a period of constant Q whose inlet delivers the dose
D = integral of C dt [mg day/L], in whatever shape, advances the bed exactly:

    a = w k D,  a_out = ln[1 + (e^a - 1) e^(-b S)],  S' = S - (a - a_out)/b,  D_out = a_out/(w k)

At any instant the outlet is C_in e^(-b S): dC/dx = -b s C along the bed, whatever its profile.
So S is carried, never b S, across a change of flow; stages in series add their b S.
All arguments are scalars or arrays that broadcast. NaN gives NaN; a number outside its stated
range gives NaN in that place. A flow of nothing is transfer_units = inf: nothing changes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from .arrays import BoolArray, FloatArray


class Passed(NamedTuple):
    """A bed after a period: fraction of capacity left, and dose that left it, mg day/L."""

    remaining: FloatArray
    dose_out_mg_day_l: FloatArray


class PassedTwo(NamedTuple):
    """As Passed, for free and combined chlorine together."""

    remaining: FloatArray
    free_out_mg_day_l: FloatArray
    combined_out_mg_day_l: FloatArray


def softplus(x: FloatArray) -> FloatArray:
    """ln(1 + e^x) without overflow."""
    return np.asarray(np.maximum(x, 0.0) + np.log1p(np.exp(-np.abs(x))))


def log_expm1(x: FloatArray) -> FloatArray:
    """ln(e^x - 1) without overflow, x >= 0; -inf at 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(x + np.log(-np.expm1(-x)))


def leaked(effect: FloatArray, depth: FloatArray) -> FloatArray:
    """The effect a_out that leaves a bed of depth b S when a = w k D enters; never above a."""
    return np.minimum(softplus(log_expm1(effect) - depth), effect)


def _in_range(ok: BoolArray | np.bool_, *values: FloatArray) -> tuple[FloatArray, ...]:
    return tuple(np.where(ok, value, np.nan) for value in values)


def _array(values: ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def _depth(transfer_units: FloatArray, remaining: FloatArray) -> FloatArray:
    """b S, with 0 for a spent bed even where the flow is nothing (b = inf)."""
    with np.errstate(invalid="ignore"):
        return np.where(remaining == 0.0, 0.0 * remaining, transfer_units * remaining)


def advance(
    remaining: ArrayLike,
    *,
    dose_mg_day_l: ArrayLike,
    transfer_units: ArrayLike,
    rate_l_mg_day: ArrayLike,
    weight: ArrayLike = 1.0,
) -> Passed:
    """One species through one bed for a period of constant flow: the exact update above.

    remaining S in [0, 1]; dose_mg_day_l D >= 0, finite; transfer_units b >= 0, inf for no flow;
    rate_l_mg_day k >= 0; weight w >= 0, capacity used per mg removed. Where w k = 0 the bed is not
    worn and passes D e^(-b S). Source and out-of-range rule: see the module.
    """
    s, dose, b = map(_array, (remaining, dose_mg_day_l, transfer_units))
    k, w = map(_array, (rate_l_mg_day, weight))
    with np.errstate(invalid="ignore"):
        ok = (s >= 0) & (s <= 1) & (dose >= 0) & np.isfinite(dose) & (b >= 0) & (k >= 0) & (w >= 0)
        s, dose, b, k = _in_range(ok, s, dose, b, k)
        effect = w * k * dose
        depth = _depth(b, s)
        out = leaked(effect, depth)
        worn = np.where(b > 0, (effect - out) / np.where(b > 0, b, 1.0), 0.0 * s)
        wearing = w * k > 0
        dose_out = np.where(
            wearing & (effect > 0), out / np.where(wearing, w * k, 1.0), dose * np.exp(-depth)
        )
    return Passed(np.clip(s - worn, 0.0, None), np.minimum(dose_out, dose))


def advance_two(
    remaining: ArrayLike,
    *,
    free_dose_mg_day_l: ArrayLike,
    combined_dose_mg_day_l: ArrayLike,
    transfer_units_free: ArrayLike,
    transfer_units_combined: ArrayLike,
    rate_free_l_mg_day: ArrayLike,
    rate_combined_l_mg_day: ArrayLike,
    weight_combined: ArrayLike = 1.0,
    substeps: int = 1,
) -> PassedTwo:
    """Free and combined chlorine competing for one bed, by exact updates in turn.

    In each of `substeps` equal parts: half the free dose, all the combined, half the free (Strang
    splitting: the error falls fourfold when the parts are halved; exact where one dose is 0). The
    free species has weight 1; weight_combined is mg of capacity (as free) per mg of combined.
    Ranges as in `advance`; substeps below 1 raises ValueError.
    """
    if substeps < 1:
        raise ValueError("substeps must be at least 1")
    s = _array(remaining)
    free = _array(free_dose_mg_day_l) / substeps
    combined = _array(combined_dose_mg_day_l) / substeps
    free_out = combined_out = np.zeros(())
    for _ in range(substeps):
        for last in (False, True):
            half = advance(
                s,
                dose_mg_day_l=free / 2,
                transfer_units=transfer_units_free,
                rate_l_mg_day=rate_free_l_mg_day,
            )
            s, free_out = half.remaining, free_out + half.dose_out_mg_day_l
            if not last:
                whole = advance(
                    s,
                    dose_mg_day_l=combined,
                    transfer_units=transfer_units_combined,
                    rate_l_mg_day=rate_combined_l_mg_day,
                    weight=weight_combined,
                )
                s, combined_out = whole.remaining, combined_out + whole.dose_out_mg_day_l
    return PassedTwo(s, free_out, combined_out)


def aged(remaining: ArrayLike, *, days: ArrayLike, decay_per_day: ArrayLike) -> FloatArray:
    """Fouling: S e^(-lambda days), the whole profile scaled, so the state stays exact.

    remaining in [0, 1], days >= 0, decay_per_day >= 0; elsewhere NaN.
    """
    s, t, rate = map(_array, (remaining, days, decay_per_day))
    with np.errstate(invalid="ignore"):
        ok = (s >= 0) & (s <= 1) & (t >= 0) & (rate >= 0)
        return np.where(ok, s * np.exp(-rate * t), np.nan)


def outlet_ratio(remaining: ArrayLike, *, transfer_units: ArrayLike) -> FloatArray:
    """Outlet over inlet at this instant, e^(-b S): exact, whatever the past. 0 for no flow."""
    s, b = _array(remaining), _array(transfer_units)
    with np.errstate(invalid="ignore"):
        return np.where((s >= 0) & (s <= 1) & (b >= 0), np.exp(-_depth(b, s)), np.nan)


def outlet_mg_l(
    remaining: ArrayLike,
    *,
    inlet_mg_l: ArrayLike,
    elapsed_days: ArrayLike,
    transfer_units: ArrayLike,
    rate_l_mg_day: ArrayLike,
    weight: ArrayLike = 1.0,
) -> FloatArray:
    """Outlet, mg/L, after elapsed_days of constant inlet since the state was `remaining`.

    C / (1 + e^(-w k C t)(e^(b S) - 1)), in logarithms. inlet_mg_l >= 0, elapsed_days >= 0.
    """
    s, c, t, b, k, w = map(
        _array, (remaining, inlet_mg_l, elapsed_days, transfer_units, rate_l_mg_day, weight)
    )
    with np.errstate(invalid="ignore"):
        ok = (s >= 0) & (s <= 1) & (c >= 0) & (t >= 0) & (b >= 0) & (k >= 0) & (w >= 0)
        hidden = softplus(log_expm1(_depth(b, s)) - w * k * c * t)
        return np.where(ok, c * np.exp(-hidden), np.nan)


def days_to_outlet(
    remaining: ArrayLike,
    *,
    limit_mg_l: ArrayLike,
    inlet_mg_l: ArrayLike,
    transfer_units: ArrayLike,
    rate_l_mg_day: ArrayLike,
    weight: ArrayLike = 1.0,
) -> FloatArray:
    """Days of constant inlet until the outlet reaches a limit: the formula above solved for t.

    t = [ln(e^(b S) - 1) - ln(C/C_limit - 1)] / (w k C), 0 where already past, inf where the inlet
    does not exceed the limit or nothing flows. limit_mg_l > 0.
    """
    s, limit, c, b, k, w = map(
        _array, (remaining, limit_mg_l, inlet_mg_l, transfer_units, rate_l_mg_day, weight)
    )
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ok = (s >= 0) & (s <= 1) & (limit > 0) & (c >= 0) & (b >= 0) & (k >= 0) & (w >= 0)
        exceeds = c > limit
        over = np.where(exceeds, c / limit - 1.0, 1.0)
        rate = w * k * c
        days = (log_expm1(_depth(b, s)) - np.log(over)) / np.where(rate > 0, rate, np.nan)
        never_wears = np.where(c * np.exp(-_depth(b, s)) > limit, 0.0, np.inf)
        days = np.where(rate > 0, np.maximum(days, 0.0), never_wears)
        return np.where(ok, np.where(exceeds, days, np.inf), np.nan)


def bohart_adams_outlet(
    *,
    time_days: ArrayLike,
    inlet_mg_l: ArrayLike,
    flow_l_day: ArrayLike,
    capacity_mg: ArrayLike,
    rate_l_mg_day: ArrayLike,
) -> FloatArray:
    """Outlet of a fresh bed under constant flow and inlet, mg/L: the full Bohart-Adams formula.

    C0 / (1 + e^(-k C0 t)(e^(k M/Q) - 1)) (Bohart & Adams 1920). Not the exponential-only form,
    which passes C0. flow_l_day > 0, capacity_mg >= 0; elsewhere NaN.
    """
    q, m, k = map(_array, (flow_l_day, capacity_mg, rate_l_mg_day))
    with np.errstate(invalid="ignore", divide="ignore"):
        b = np.where((q > 0) & (m >= 0), k * m / q, np.nan)
    return outlet_mg_l(
        1.0, inlet_mg_l=inlet_mg_l, elapsed_days=time_days, transfer_units=b, rate_l_mg_day=k
    )


def bdst_days(
    *,
    limit_mg_l: ArrayLike,
    inlet_mg_l: ArrayLike,
    flow_l_day: ArrayLike,
    capacity_mg: ArrayLike,
    rate_l_mg_day: ArrayLike,
) -> FloatArray:
    """The textbook bed-depth service time of a fresh bed, days.

    t = N0 x/(C0 u) - ln(C0/Cb - 1)/(k C0) = M/(Q C0) - ln(C0/Cb - 1)/(k C0), natural logarithm
    (Hutchins 1973, in Thomas & Crittenden 1998, eqs 6.55-6.59). It takes e^b - 1 for e^b, so it is
    good for b above about 5; negative where the bed is too short. Needs 0 < limit < inlet and
    positive flow, capacity and rate; elsewhere NaN.
    """
    limit, c, q = map(_array, (limit_mg_l, inlet_mg_l, flow_l_day))
    m, k = map(_array, (capacity_mg, rate_l_mg_day))
    with np.errstate(invalid="ignore", divide="ignore"):
        ok = (limit > 0) & (c > limit) & (q > 0) & (m > 0) & (k > 0)
        return np.where(ok, m / (q * c) - np.log(c / limit - 1.0) / (k * c), np.nan)
