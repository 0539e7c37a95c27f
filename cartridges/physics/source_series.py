"""Readings of the tap's chlorine, checked and completed for one kind of water at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .arrays import BoolArray, FloatArray, equally_long, vector
from .contact import Disinfectant

KINDS: Final[tuple[Disinfectant, Disinfectant]] = ("free_chlorine", "chloramine")

# Total below free by no more than this is the kit's error (common practice, no source).
KIT_FLOOR_MG_L: Final = 0.1
KIT_SHARE: Final = 0.2
# Free and total noted apart within this time are taken as one test of the same water.
ONE_TEST_DAYS: Final = 1.0


class TotalBelowFree(ValueError):
    """Total chlorine below free by more than the kit's error; `index` as the series was given."""

    def __init__(self, *, index: int, free_mg_l: float, total_mg_l: float) -> None:
        super().__init__(
            f"total chlorine ({total_mg_l:g} mg/L) cannot be below free ({free_mg_l:g} mg/L)"
        )
        self.index = index
        self.free_mg_l = free_mg_l
        self.total_mg_l = total_mg_l


class TotalUnknown(ValueError):
    """Chloraminated water of which only free chlorine was ever measured."""

    def __init__(self) -> None:
        super().__init__(
            "only free chlorine is known; with chloramine the total is what the carbon must "
            "remove, so at least one total chlorine reading is needed"
        )


@dataclass(frozen=True, slots=True, eq=False)
class SourceSeries:
    """Readings of the source water, in any order.

    day: float days, finite, shape (n,). free_mg_l, total_mg_l: mg/L as Cl2, not negative, NaN
    where not measured, shape (n,). A reading of neither is dropped, and readings at one moment
    are put together. Total below free by more than the larger of KIT_FLOOR_MG_L and KIT_SHARE
    of free raises TotalBelowFree; two different values of one quantity at one moment, a
    negative or an infinite value raise ValueError.
    """

    day: FloatArray
    free_mg_l: FloatArray
    total_mg_l: FloatArray

    def __post_init__(self) -> None:
        day = vector("day", self.day)
        free, total = vector("free_mg_l", self.free_mg_l), vector("total_mg_l", self.total_mg_l)
        equally_long(day=day, free_mg_l=free, total_mg_l=total)
        if not np.isfinite(day).all():
            raise ValueError("days must be finite")
        for name, values in (("free chlorine", free), ("total chlorine", total)):
            if np.isinf(values).any() or (values < 0).any():
                raise ValueError(f"{name} must be a number that is not negative")
        below = _contradicts(free, total)
        if below.any():
            at = int(np.argmax(below))
            raise TotalBelowFree(index=at, free_mg_l=float(free[at]), total_mg_l=float(total[at]))
        kept = ~(np.isnan(free) & np.isnan(total))
        moments, place = np.unique(day[kept], return_inverse=True)
        object.__setattr__(self, "day", vector("day", moments))
        for name, values in (("free_mg_l", free[kept]), ("total_mg_l", total[kept])):
            joined = _joined(values, place, len(moments))
            object.__setattr__(self, name, vector(name, joined))
        if _contradicts(self.free_mg_l, self.total_mg_l).any():
            raise ValueError("total chlorine is below free chlorine at one moment")

    def __len__(self) -> int:
        return len(self.day)


def _contradicts(free: FloatArray, total: FloatArray) -> BoolArray:
    return np.asarray(free - total > np.maximum(KIT_FLOOR_MG_L, KIT_SHARE * free), dtype=np.bool_)


def _joined(values: FloatArray, place: NDArray[np.intp], count: int) -> FloatArray:
    """One value per moment; NaN where none was measured."""
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    np.fmin.at(low, place, values)
    np.fmax.at(high, place, values)
    if (high > low).any():
        raise ValueError("two different readings are given for one moment")
    return low


@dataclass(frozen=True, slots=True, eq=False)
class Water:
    """Completed readings of one kind of water: day, free and combined, sorted, shape (n,)."""

    day: FloatArray
    free_mg_l: FloatArray
    combined_mg_l: FloatArray

    def until(self, day: float) -> Water:
        """The readings made by `day`."""
        n = int(np.searchsorted(self.day, day, side="right"))
        return Water(self.day[:n], self.free_mg_l[:n], self.combined_mg_l[:n])


def completed(
    *,
    day: FloatArray,
    free_mg_l: FloatArray,
    total_mg_l: FloatArray,
    kind: Disinfectant,
    other_total_mg_l: float,
) -> Water:
    """Fill in what a reading did not measure, by carrying the part that is small in that water.

    In free-chlorine water the small part is combined chlorine: free alone → total = free +
    combined as last known; total alone → free = total - combined as last known (0 when never
    known; the two noted apart within ONE_TEST_DAYS count as one test). In chloraminated water
    it is free chlorine: total alone → free as last known (0 when never known), at most the
    total; free alone → total as last known, else as first known later, else
    `other_total_mg_l` (NaN raises TotalUnknown), at least free.
    Arrays sorted by day, each reading with at least one value.
    """
    has_free, has_total = ~np.isnan(free_mg_l), ~np.isnan(total_mg_l)
    if kind == "free_chlorine":
        near_free = _recent(day, free_mg_l, has_free)
        near_total = _recent(day, total_mg_l, has_total)
        paired = ~np.isnan(near_free) & ~np.isnan(near_total) & (near_total >= near_free)
        paired |= has_free & has_total
        small = np.where(paired, np.maximum(near_total - near_free, 0.0), np.nan)
        combined = _filled(_carried(small, paired), 0.0)
        free = np.where(has_free, free_mg_l, np.maximum(total_mg_l - combined, 0.0))
        combined = np.where(has_free, combined, np.maximum(total_mg_l - free, 0.0))
        return Water(day, free, combined)
    later = total_mg_l[has_total][0] if has_total.any() else other_total_mg_l
    total = _filled(_carried(total_mg_l, has_total), float(later))
    if np.isnan(total).any():
        raise TotalUnknown
    free = _filled(_carried(free_mg_l, has_free), 0.0)
    free = np.where(has_free, free, np.minimum(free, total))
    return Water(day, free, np.maximum(total - free, 0.0))


def _carried(values: FloatArray, known: BoolArray) -> FloatArray:
    """The last known value up to each place; NaN before the first."""
    index = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return np.where(index >= 0, values[np.maximum(index, 0)], np.nan) if len(values) else values


def _recent(day: FloatArray, values: FloatArray, known: BoolArray) -> FloatArray:
    """The last known value where it is no older than ONE_TEST_DAYS, else NaN."""
    fresh = day - _carried(day, known) <= ONE_TEST_DAYS
    return np.where(fresh, _carried(values, known), np.nan)


def _filled(values: FloatArray, default: float) -> FloatArray:
    return np.where(np.isnan(values), default, values)
