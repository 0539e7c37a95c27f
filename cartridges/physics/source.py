"""The chlorine in the tap water, as periods of constant level."""

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
