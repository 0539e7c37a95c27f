"""From the beds as they are now to the first day that each outlet exceeds a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .arrays import FloatArray
from .bed import log_expm1
from .history import MOST_SUBSTEPS, Uncertain
from .roots import bracketed_roots
from .series import IndexArray, Series, outlets_mg_l, quiet_days, run
from .source import SourceSteps

ROOT_TOLERANCE_DAYS = 1e-4
LEAST_SUBSTEP_DAYS = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Future:
    """Periods of constant source water from now on, days from now, without gaps; arrays (n,)."""

    start_days: FloatArray
    end_days: FloatArray
    free_mg_l: FloatArray
    combined_mg_l: FloatArray
    rel_sd: FloatArray


def future_from(*, source: SourceSteps, now_day: float, horizon_days: float) -> Future:
    """The source from now to the horizon; equal neighbours are joined.

    The first level is carried back to now where the steps start later, a level lasts until the
    next one starts, and the last is carried to the horizon. No step, or a horizon that is not
    above 0, raises ValueError.
    """
    if len(source) == 0 or not horizon_days > 0.0:
        raise ValueError("a forecast needs at least one source step and a horizon above zero")
    first = max(0, int(np.searchsorted(source.start_day, now_day, side="right")) - 1)
    start = source.start_day[first:] - now_day
    levels = np.stack([source.free_mg_l, source.combined_mg_l, source.rel_sd])[:, first:]
    levels, start = levels[:, start < horizon_days], start[start < horizon_days]
    if len(start) == 0:
        levels = np.stack([source.free_mg_l, source.combined_mg_l, source.rel_sd])[:, first:][:, :1]
        start = np.zeros(1)
    start = start.copy()
    start[0] = 0.0
    keep = np.append(True, (levels[:, 1:] != levels[:, :-1]).any(axis=0))
    start, levels = start[keep], levels[:, keep]
    return Future(start, np.append(start[1:], horizon_days), *levels)


def first_exceedance_days(
    *,
    remaining: FloatArray,
    series: Series,
    future: Future,
    uncertain: Uncertain,
    dose_share: FloatArray | float,
    limit_mg_l: float,
) -> FloatArray:
    """Days from now until total chlorine first exceeds the limit, at the tap and after each bed.

    remaining: (beds, members), not changed; series: the beds at the future flow; dose_share: part
    of the time that water passes. Returns (beds + 1, members): 0 where it exceeds it now, inf
    beyond the horizon. Each period of constant water is one exact jump for one species, bounded
    sub-steps of second order for two or with ageing; within the jump or sub-step that crosses, the
    outlet rises steadily and the day is bracketed (closed form for the first bed where it is
    exact). Crossing is otherwise at the start of a period, when stronger water arrives.
    limit_mg_l must be above 0, else ValueError.
    """
    if not limit_mg_l > 0.0:
        raise ValueError("the limit must be above zero")
    beds, members = remaining.shape
    days = np.full((beds + 1, members), np.inf)
    share = np.broadcast_to(np.asarray(dose_share, dtype=np.float64), (members,))
    active = np.arange(members)
    state = remaining.copy()
    for period in range(len(future.start_days)):
        start = float(future.start_days[period])
        factor = np.broadcast_to(
            np.asarray(uncertain.tap_factor(float(future.rel_sd[period]))), (members,)
        )
        tap = (future.free_mg_l[period] + future.combined_mg_l[period]) * factor
        days[0] = np.where(np.isinf(days[0]) & (tap > limit_mg_l), start, days[0])
        if len(active) == 0 or beds == 0:
            continue
        water = _Water(
            free=float(future.free_mg_l[period]) * factor[active],
            combined=float(future.combined_mg_l[period]) * factor[active],
            share=share[active],
            limit=limit_mg_l,
        )
        length = float(future.end_days[period]) - start
        found = days[1:, active]
        ended = _run_period(state[:, active], series.take(active), water, start, length, found)
        days[1:, active], state[:, active] = found, ended
        active = active[np.isinf(found[-1])]
    return days


@dataclass(frozen=True, slots=True, eq=False)
class _Water:
    """Constant water of one period: levels and share of time per member, and the limit."""

    free: FloatArray
    combined: FloatArray
    share: FloatArray
    limit: float

    def take(self, index: IndexArray) -> _Water:
        return _Water(self.free[index], self.combined[index], self.share[index], self.limit)

    @property
    def has_free(self) -> bool:
        return bool((self.free > 0.0).any())

    @property
    def has_combined(self) -> bool:
        return bool((self.combined > 0.0).any())

    def advanced(self, state: FloatArray, series: Series, days: FloatArray) -> FloatArray:
        """The state after so many days, (members,), in one jump; the argument is not changed."""
        later = state.copy()
        run(
            later,
            series,
            free_dose_mg_day_l=self.free * self.share * days if self.has_free else None,
            combined_dose_mg_day_l=self.combined * self.share * days if self.has_combined else None,
            days=days,
        )
        return later

    def log_excess(self, state: FloatArray, series: Series) -> FloatArray:
        """ln(total outlet / limit) after each bed, (beds, members); -inf where there is none."""
        with np.errstate(divide="ignore"):
            free = np.log(self.free / self.limit)
            combined = np.log(self.combined / self.limit)
        if not self.has_combined:
            return np.asarray(free - np.cumsum(series.units_free * state, axis=0))
        combined = combined - np.cumsum(series.units_combined * state, axis=0)
        if not self.has_free:
            return np.asarray(combined)
        free = free - np.cumsum(series.units_free * state, axis=0)
        return np.asarray(np.logaddexp(free, combined))


def _run_period(
    state: FloatArray,
    series: Series,
    water: _Water,
    start_days: float,
    length_days: float,
    found: FloatArray,
) -> FloatArray:
    """Run one period; writes the days of crossing into `found`, returns the state at its end."""
    excess = water.log_excess(state, series)
    found[np.isinf(found) & (excess > 0.0)] = start_days
    exact = not series.ages and not (water.has_free and water.has_combined)
    passed = np.zeros(state.shape[1])
    ended = state.copy()
    going = np.flatnonzero(np.isinf(found[-1]))
    now = state[:, going]
    while len(going):
        own, own_series = water.take(going), series.take(going)
        left = length_days - passed[going]
        hop = left
        if not exact:
            quiet = quiet_days(
                now,
                own_series,
                free_mg_l=own.free * own.share,
                combined_mg_l=own.combined * own.share,
            )
            hop = np.minimum(left, np.maximum(quiet, LEAST_SUBSTEP_DAYS))
        later = own.advanced(now, own_series, hop)
        at_end = own.log_excess(later, own_series)
        for bed in range(len(now)):
            crossing = np.flatnonzero(np.isinf(found[bed, going]) & (at_end[bed] > 0.0))
            if len(crossing):
                tau = _crossing_days(
                    now[: bed + 1, crossing],
                    own_series.take(crossing).upto(bed + 1),
                    own.take(crossing),
                    hop[crossing],
                    at_end[bed, crossing],
                    exact=exact,
                )
                found[bed, going[crossing]] = start_days + passed[going[crossing]] + tau
        passed[going] += hop
        ended[:, going] = later
        on = np.isinf(found[-1, going]) & (passed[going] < length_days * (1.0 - 1e-12))
        going, now = going[on], later[:, on]
    return ended


def _crossing_days(
    state: FloatArray,
    series: Series,
    water: _Water,
    hop: FloatArray,
    at_end: FloatArray,
    *,
    exact: bool,
) -> FloatArray:
    """When the outlet of the last bed given reaches the limit within a hop that crosses it."""
    if exact and len(state) == 1:
        level = water.free if water.has_free else water.combined
        units = series.units_free if water.has_free else series.units_combined
        wear = series.wear_free if water.has_free else series.wear_combined
        depth = log_expm1(units[0] * state[0]) - np.log(level / water.limit - 1.0)
        return np.asarray(np.clip(depth / (wear[0] * level * water.share), 0.0, hop))

    def excess(tau: FloatArray) -> FloatArray:
        return np.asarray(water.log_excess(water.advanced(state, series, tau), series)[-1])

    return bracketed_roots(
        excess,
        low=np.zeros(len(hop)),
        high=hop,
        at_low=water.log_excess(state, series)[-1],
        at_high=at_end,
        tolerance=np.full(len(hop), ROOT_TOLERANCE_DAYS),
    )


def later(future: Future, *, days: float) -> Future:
    """The same water as seen so many days later; days in [0, horizon), else ValueError."""
    if not 0.0 <= days < future.end_days[-1]:
        raise ValueError("there is no water beyond the horizon")
    first = int(np.searchsorted(future.start_days, days, side="right")) - 1
    start = np.maximum(future.start_days[first:] - days, 0.0)
    return Future(
        start,
        future.end_days[first:] - days,
        future.free_mg_l[first:],
        future.combined_mg_l[first:],
        future.rel_sd[first:],
    )


def advanced_state(
    *,
    remaining: FloatArray,
    series: Series,
    future: Future,
    uncertain: Uncertain,
    dose_share: FloatArray | float,
    days: float,
) -> FloatArray:
    """The fractions of capacity left so many days from now, (beds, members); the argument is kept.

    days: within [0, horizon]. Each period of constant water is one exact jump for one species,
    sub-steps of second order, chosen per member, for two or with ageing.
    """
    members = remaining.shape[1]
    share = np.broadcast_to(np.asarray(dose_share, dtype=np.float64), (members,))
    state = remaining.copy()
    if not len(state):
        return state
    for period, start in enumerate(future.start_days):
        length = min(float(future.end_days[period]), days) - float(start)
        if length <= 0.0:
            break
        free, combined = _levels(future, period, uncertain)
        state = _run_through(state, series, _Water(free, combined, share, math.inf), length)
    return state


def _run_through(
    state: FloatArray, series: Series, water: _Water, length_days: float
) -> FloatArray:
    """The state at the end of a period of constant water."""
    members = state.shape[1]
    if not series.ages and not (water.has_free and water.has_combined):
        return water.advanced(state, series, np.full(members, length_days))
    ended, left = state.copy(), np.full(members, length_days)
    going = np.arange(members)
    while len(going):
        own, own_series, now = water.take(going), series.take(going), ended[:, going]
        quiet = quiet_days(
            now, own_series, free_mg_l=own.free * own.share, combined_mg_l=own.combined * own.share
        )
        hop = np.minimum(left[going], np.maximum(quiet, LEAST_SUBSTEP_DAYS))
        ended[:, going] = own.advanced(now, own_series, hop)
        left[going] -= hop
        going = going[left[going] > 0.0]
    return ended


def outlet_path(
    *,
    remaining: FloatArray,
    series: Series,
    future: Future,
    uncertain: Uncertain,
    dose_share: FloatArray | float,
    days: FloatArray,
) -> FloatArray:
    """Total chlorine at the tap and after each bed at chosen days from now, for a chart.

    days: sorted, within [0, horizon], (n,). Returns mg/L, (n, beds + 1, members).
    """
    members = len(uncertain)
    state = remaining.copy()
    marks = np.unique(np.concatenate([days, future.start_days[future.start_days < days[-1]]]))
    path = np.empty((len(days), len(remaining) + 1, members))
    at = 0.0
    for mark in marks:
        if mark > at:
            period = int(np.searchsorted(future.start_days, at, side="right")) - 1
            free, combined = _levels(future, period, uncertain)
            _run_between(state, series, free * dose_share, combined * dose_share, float(mark - at))
            at = float(mark)
        for index in np.flatnonzero(days == mark):
            period = int(np.searchsorted(future.start_days, mark, side="right")) - 1
            free, combined = _levels(future, period, uncertain)
            outlet = outlets_mg_l(state, series, free_mg_l=free, combined_mg_l=combined)
            path[index, 0] = free + combined
            path[index, 1:] = outlet[0] + outlet[1]
    return path


def _levels(future: Future, period: int, uncertain: Uncertain) -> tuple[FloatArray, FloatArray]:
    factor = uncertain.tap_factor(float(future.rel_sd[period]))
    ones = np.ones(len(uncertain))
    return future.free_mg_l[period] * ones * factor, future.combined_mg_l[period] * ones * factor


def _run_between(
    state: FloatArray, series: Series, free: FloatArray, combined: FloatArray, days: float
) -> None:
    """Advance the state in place; levels are mg/L times the share of time that water passes."""
    has_free, has_combined = bool((free > 0.0).any()), bool((combined > 0.0).any())
    substeps = 1
    if (has_free and has_combined) or series.ages:
        quiet = quiet_days(state, series, free_mg_l=free, combined_mg_l=combined)
        substeps = min(MOST_SUBSTEPS, max(1, math.ceil(days / float(quiet.min()))))
    run(
        state,
        series,
        free_dose_mg_day_l=free * days if has_free else None,
        combined_dose_mg_day_l=combined * days if has_combined else None,
        days=days,
        substeps=substeps,
    )
