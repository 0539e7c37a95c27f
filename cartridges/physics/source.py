"""The chlorine in the tap water, as periods of constant level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .arrays import BoolArray, FloatArray
from .contact import Disinfectant
from .levels import SourceLevel, SourceSteps, mean_over
from .periods import holding, union
from .source_error import BIAS_REL_SD
from .source_series import (
    KINDS,
    SourceSeries,
    TotalBelowFree,
    TotalUnknown,
    Water,
    completed,
)

__all__ = [
    "MRDL_MG_L",
    "SourceLevel",
    "SourceSeries",
    "SourceSteps",
    "SwitchPeriod",
    "TotalBelowFree",
    "TotalUnknown",
    "future_source_steps",
    "mean_over",
    "source_at",
    "source_steps",
]

# The most that US utilities may have, of chlorine and of chloramines alike, mg/L as Cl2, as a
# running annual average: a single day above it is legal (40 CFR 141.65, 141.133).
MRDL_MG_L: Final = 4.0
# Error of a reading and how it widens with age: common practice, no source (see source_steps).
KIT_REL_SD: Final = 0.10
CAP_REL_SD: Final = 0.25
WIDENING_DAYS: Final = 30.0
# The span whose readings count together, and over which the future level is averaged.
RECENT_DAYS: Final = 30.0
# Long carried stretches are cut at these ages, so that their widening error shows.
AGE_MARKS_DAYS: Final = (15.0, 60.0)
_MOMENT_DAYS: Final = 1e-6


@dataclass(frozen=True, slots=True)
class SwitchPeriod:
    """The utility uses the other disinfectant from start_day until end_day (inf: not known)."""

    start_day: float
    end_day: float
    to: Disinfectant = "free_chlorine"

    def __post_init__(self) -> None:
        if not (np.isfinite(self.start_day) and self.end_day > self.start_day):
            raise ValueError("a switch of disinfectant must end after it starts")
        if self.to not in KINDS:
            raise ValueError(f"a switch is to one of {', '.join(KINDS)}, not {self.to!r}")


def source_steps(
    *,
    readings: SourceSeries,
    switches: Sequence[SwitchPeriod],
    disinfectant: Disinfectant,
    start_day: float,
    end_day: float,
) -> SourceSteps:
    """The source from start_day to end_day, tiled without gap: the last reading carried on.

    disinfectant: the utility's usual one. Outside declared switch periods only readings made
    outside them count; inside one, only those made in it. The first reading is carried back to
    before it. A period without a reading so far takes the total that the usual water last had,
    all of it free (switch to free chlorine) or all combined (switch to chloramine). What a
    reading did not measure is filled in as `completed` says.

    rel_sd² = bias² + (kit² - bias²)/n + (cap² - kit²)(1 - e^(-age/30 days)), with the kit's
    error 0.10, of which 0.05 never averages out, n the readings of that water in the 30 days up
    to the last one, and cap 0.25; averaged over each step. So weekly tests give about 0.10 and
    yearly ones near 0.25. Before the first reading, and in a period without one, it is the cap.
    (Errors of 5 to 40 % of home kits: Murray & Lantagne 2015; the figures chosen are common
    practice, no source.)

    No reading at all, an unknown disinfectant, or days not finite or out of order raise
    ValueError; chloramine of which only free was ever measured raises TotalUnknown.
    """
    past = _Past(readings, switches, disinfectant)
    return past.steps(start_day=start_day, end_day=end_day)


def source_at(
    *,
    day: float,
    readings: SourceSeries,
    switches: Sequence[SwitchPeriod],
    disinfectant: Disinfectant,
) -> SourceLevel:
    """The carried source level just after `day`, by the rules of `source_steps`."""
    moment = source_steps(
        readings=readings,
        switches=switches,
        disinfectant=disinfectant,
        start_day=day,
        end_day=day + _MOMENT_DAYS,
    )
    return SourceLevel(
        float(moment.free_mg_l[0]), float(moment.combined_mg_l[0]), float(moment.rel_sd[0])
    )


def future_source_steps(
    *,
    readings: SourceSeries,
    switches: Sequence[SwitchPeriod],
    disinfectant: Disinfectant,
    now_day: float,
    end_day: float,
) -> SourceSteps:
    """The source expected from now_day to end_day, tiled without gap.

    The usual water is expected at its mean over the last 30 days of it (time in switch periods
    left out, time before its first reading too), so that the last noisy sample does not decide;
    for a sparse tester that is the last value. Declared periods are honoured: one under way
    with readings of its own is expected at their mean in the same manner, any other takes the
    usual water's expected total, as in `source_steps`. rel_sd goes on widening with the age of
    the last reading, by the same rule. Readings after now_day are not used, unless there is
    none before. Errors as in `source_steps`.
    """
    past = _Past(readings, switches, disinfectant)
    return past.future(now_day=now_day, end_day=end_day)


_Columns = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


class _Past:
    """The readings sorted by the water they were taken of: the usual one, or a switch period."""

    def __init__(
        self, readings: SourceSeries, switches: Sequence[SwitchPeriod], disinfectant: Disinfectant
    ) -> None:
        if disinfectant not in KINDS:
            raise ValueError(f"disinfectant is one of {', '.join(KINDS)}, not {disinfectant!r}")
        if not len(readings):
            raise ValueError("at least one reading of the source water is needed")
        self.kind: Disinfectant = disinfectant
        self.other: Disinfectant = KINDS[1 - KINDS.index(disinfectant)]
        self.periods = union(
            (switch.start_day, switch.end_day) for switch in switches if switch.to != disinfectant
        )
        index = self._period_at(readings.day)
        totals = readings.total_mg_l[~np.isnan(readings.total_mg_l)]
        usual_total = float(totals[0]) if len(totals) else np.nan
        self.usual = self._water(readings, index < 0, disinfectant, usual_total)
        self.inside: list[Water] = []
        self.given: list[tuple[float, float]] = []
        for number, (start, _) in enumerate(self.periods):
            total = self._usual_total(float(start), usual_total)
            self.inside.append(self._water(readings, index == number, self.other, total))
            self.given.append(_all_of(self.other, total))
        if not len(self.usual.day):
            first = min((water for water in self.inside if len(water.day)), key=_first_day)
            self.usual_given = _all_of(
                self.kind, float(first.free_mg_l[0] + first.combined_mg_l[0])
            )
            self.given = [_all_of(self.other, sum(self.usual_given)) for _ in self.periods]

    def _water(
        self, readings: SourceSeries, chosen: BoolArray, kind: Disinfectant, other_total: float
    ) -> Water:
        return completed(
            day=readings.day[chosen],
            free_mg_l=readings.free_mg_l[chosen],
            total_mg_l=readings.total_mg_l[chosen],
            kind=kind,
            other_total_mg_l=other_total,
        )

    def _usual_total(self, day: float, default: float) -> float:
        """The usual water's total as last known by `day`, else as first known later."""
        water = self.usual
        if not len(water.day):
            return default
        at = max(int(np.searchsorted(water.day, day, side="right")) - 1, 0)
        return float(water.free_mg_l[at] + water.combined_mg_l[at])

    def _period_at(self, days: FloatArray) -> NDArray[np.intp]:
        """Index of the switch period that holds each day, -1 in the usual water."""
        return holding(days, start_day=self.periods[:, 0], end_day=self.periods[:, 1])

    def _spans(self, start_day: float, end_day: float) -> list[tuple[float, float, int]]:
        """The time asked for, cut where the water changes: start, end, period or -1."""
        if not (np.isfinite(start_day) and np.isfinite(end_day) and end_day > start_day):
            raise ValueError("the source needs finite days, the end after the start")
        marks = np.unique(np.clip(self.periods.ravel(), start_day, end_day))
        edges = np.unique(np.concatenate(([start_day, end_day], marks)))
        periods = self._period_at(edges[:-1])
        return list(zip(edges[:-1].tolist(), edges[1:].tolist(), periods.tolist(), strict=True))

    def steps(self, *, start_day: float, end_day: float) -> SourceSteps:
        parts: list[_Columns] = []
        for start, end, period in self._spans(start_day, end_day):
            if period < 0:
                given = None if len(self.usual.day) else self.usual_given
                parts.append(_span(self.usual, start, end, given=given))
            else:
                given = self.given[period]
                parts.append(_span(self.inside[period], start, end, given=given))
        return _steps(parts)

    def future(self, *, now_day: float, end_day: float) -> SourceSteps:
        usual = self.usual.until(now_day)
        level = self._recent_mean(usual, now_day, -1)
        parts: list[_Columns] = []
        for start, end, period in self._spans(now_day, end_day):
            if period < 0:
                parts.append(_span(usual, start, end, given=level, level=level))
                continue
            inside = self.inside[period].until(now_day)
            given = _all_of(self.other, sum(level))
            if len(inside.day):
                given = self._recent_mean(inside, now_day, period)
            parts.append(_span(inside, start, end, given=given, level=given))
        return _steps(parts)

    def _recent_mean(self, water: Water, now_day: float, period: int) -> tuple[float, float]:
        """Mean level of one water over its last 30 days up to now; the carried level if none."""
        if not len(water.day):
            if len(self.usual.day):
                return float(self.usual.free_mg_l[0]), float(self.usual.combined_mg_l[0])
            return self.usual_given
        last = float(water.free_mg_l[-1]), float(water.combined_mg_l[-1])
        if now_day <= water.day[0]:
            return last
        spans = [span for span in self._spans(float(water.day[0]), now_day) if span[2] == period]
        left = RECENT_DAYS
        parts: list[_Columns] = []
        for start, end, _ in reversed(spans):
            from_day = max(start, end - left)
            parts.insert(0, _span(water, from_day, end, given=None))
            left -= end - from_day
            if left <= 0:
                break
        if not parts:
            return last
        mean = mean_over(_steps(parts), start_day=-np.inf, end_day=now_day)
        return mean.free_mg_l, mean.combined_mg_l


def _first_day(water: Water) -> float:
    return float(water.day[0])


def _all_of(kind: Disinfectant, total_mg_l: float) -> tuple[float, float]:
    """Free and combined of a water whose total is all of one kind."""
    return (total_mg_l, 0.0) if kind == "free_chlorine" else (0.0, total_mg_l)


def _span(
    water: Water,
    start_day: float,
    end_day: float,
    *,
    given: tuple[float, float] | None,
    level: tuple[float, float] | None = None,
) -> _Columns:
    """Steps of one water over one span.

    given: the level before the water's first reading (None: that reading carried back).
    level: if stated, stands in place of the carried values.
    """
    next_day = np.append(water.day[1:], np.inf)
    aged = [(water.day + age)[water.day + age < next_day] for age in (0.0, *AGE_MARKS_DAYS)]
    marks = np.unique(np.concatenate(([start_day], *aged)))
    start = marks[(marks >= start_day) & (marks < end_day)]
    end = np.append(start[1:], end_day)
    if not len(water.day):
        free, combined = level or given or (np.nan, np.nan)
        filled = np.ones(len(start))
        return start, end, filled * free, filled * combined, filled * CAP_REL_SD
    at = np.searchsorted(water.day, start, side="right") - 1
    before = at < 0
    at = np.maximum(at, 0)
    columns = []
    for species, values in enumerate((water.free_mg_l, water.combined_mg_l)):
        column = values[at]
        if given is not None:
            column = np.where(before, given[species], column)
        if level is not None:
            column = np.full(len(at), level[species])
        columns.append(column)
    rel_sd = np.where(before, CAP_REL_SD, _rel_sd(water.day, at, start, end))
    return start, end, columns[0], columns[1], rel_sd


def _rel_sd(
    day: FloatArray, at: NDArray[np.intp], start_day: FloatArray, end_day: FloatArray
) -> FloatArray:
    """The rule of `source_steps`, its variance averaged over each step."""
    recent = at + 1 - np.searchsorted(day, day[at] - RECENT_DAYS, side="right")
    young, old = start_day - day[at], end_day - day[at]
    # Before the first reading the ages are negative and the result is not used.
    fresh = np.exp(-np.maximum(young, 0.0) / WIDENING_DAYS) - np.exp(
        -np.maximum(old, 0.0) / WIDENING_DAYS
    )
    widened = 1 - WIDENING_DAYS * fresh / (old - young)
    kit = BIAS_REL_SD**2 + (KIT_REL_SD**2 - BIAS_REL_SD**2) / np.maximum(recent, 1)
    return np.asarray(
        np.sqrt(np.minimum(kit + (CAP_REL_SD**2 - KIT_REL_SD**2) * widened, CAP_REL_SD**2))
    )


def _steps(parts: list[_Columns]) -> SourceSteps:
    start, end, free, combined, rel_sd = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return SourceSteps(start, end, free, combined, rel_sd)
