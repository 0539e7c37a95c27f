"""Source chlorine as periods of constant level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .arrays import FloatArray, equally_long, in_order, vector


@dataclass(frozen=True, slots=True, eq=False)
class SourceSteps:
    """Periods of constant source chlorine, sorted in time, never overlapping.

    start_day, end_day: float days on the caller's axis, shape (n,), end after start.
    free_mg_l, combined_mg_l: mg/L as Cl2, finite, not negative; total = free + combined.
    rel_sd: relative standard deviation of both levels, one error common to the two.
    All arrays have shape (n,), are copied and made read-only. Anything else raises ValueError.
    """

    start_day: FloatArray
    end_day: FloatArray
    free_mg_l: FloatArray
    combined_mg_l: FloatArray
    rel_sd: FloatArray

    def __post_init__(self) -> None:
        for name in ("start_day", "end_day", "free_mg_l", "combined_mg_l", "rel_sd"):
            object.__setattr__(self, name, vector(name, getattr(self, name)))
        equally_long(
            start_day=self.start_day,
            end_day=self.end_day,
            free_mg_l=self.free_mg_l,
            combined_mg_l=self.combined_mg_l,
            rel_sd=self.rel_sd,
        )
        in_order(start_day=self.start_day, end_day=self.end_day)
        for name in ("free_mg_l", "combined_mg_l", "rel_sd"):
            values = getattr(self, name)
            if not (np.isfinite(values).all() and (values >= 0).all()):
                raise ValueError(f"{name} must be finite and not negative")

    def __len__(self) -> int:
        return len(self.start_day)

    @property
    def total_mg_l(self) -> FloatArray:
        """Free and combined chlorine together, mg/L as Cl2, shape (n,)."""
        return self.free_mg_l + self.combined_mg_l

    @property
    def duration_days(self) -> FloatArray:
        """Length of each step in days, shape (n,)."""
        return self.end_day - self.start_day


@dataclass(frozen=True, slots=True)
class SourceLevel:
    """Free and combined chlorine, mg/L as Cl2, and the relative sd of both."""

    free_mg_l: float
    combined_mg_l: float
    rel_sd: float

    @property
    def total_mg_l(self) -> float:
        """Free and combined together, mg/L as Cl2."""
        return self.free_mg_l + self.combined_mg_l


def mean_over(steps: SourceSteps, *, start_day: float, end_day: float) -> SourceLevel:
    """Time-weighted mean level over the part of [start_day, end_day] that the steps cover.

    rel_sd is that of an error common to all steps: the mean of rel_sd weighted by time and
    total chlorine. Where the steps cover none of it: ValueError.
    """
    days = np.minimum(steps.end_day, end_day) - np.maximum(steps.start_day, start_day)
    days = np.maximum(days, 0.0)
    whole = float(days.sum())
    if not whole > 0:
        raise ValueError("the steps cover no part of the time asked for")
    dose = days * steps.total_mg_l
    weights = dose if dose.sum() > 0 else days
    return SourceLevel(
        free_mg_l=float(days @ steps.free_mg_l) / whole,
        combined_mg_l=float(days @ steps.combined_mg_l) / whole,
        rel_sd=float(weights @ steps.rel_sd) / float(weights.sum()),
    )
