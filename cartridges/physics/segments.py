"""The water that passed, as periods of constant flow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .arrays import FloatArray, IntArray, equally_long, in_order, vector

METERED: Final = 0
RESTRICTOR: Final = 1
SHUT: Final = 2


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """Periods of constant flow, sorted in time, never overlapping (a gap is allowed).

    start_day, end_day: float days on the caller's axis, shape (n,), end after start.
    flow_l_day: L/day, finite, not negative, shape (n,).
    origin: where the flow comes from: METERED, RESTRICTOR or SHUT, int8, shape (n,).
    rel_sd: relative standard deviation of the flow, not negative, shape (n,).
    All arrays are copied and made read-only. Anything else raises ValueError.
    """

    start_day: FloatArray
    end_day: FloatArray
    flow_l_day: FloatArray
    origin: IntArray
    rel_sd: FloatArray

    def __post_init__(self) -> None:
        for name in ("start_day", "end_day", "flow_l_day", "rel_sd"):
            object.__setattr__(self, name, vector(name, getattr(self, name)))
        origin = np.array(self.origin, dtype=np.int8, ndmin=1)
        origin.flags.writeable = False
        object.__setattr__(self, "origin", origin)
        equally_long(
            start_day=self.start_day,
            end_day=self.end_day,
            flow_l_day=self.flow_l_day,
            origin=self.origin,
            rel_sd=self.rel_sd,
        )
        in_order(start_day=self.start_day, end_day=self.end_day)
        if not (np.isfinite(self.flow_l_day).all() and (self.flow_l_day >= 0).all()):
            raise ValueError("flow_l_day must be finite and not negative")
        if not (np.isfinite(self.rel_sd).all() and (self.rel_sd >= 0).all()):
            raise ValueError("rel_sd must be finite and not negative")
        if not np.isin(origin, (METERED, RESTRICTOR, SHUT)).all():
            raise ValueError("origin must be METERED, RESTRICTOR or SHUT")

    def __len__(self) -> int:
        return len(self.start_day)

    @property
    def duration_days(self) -> FloatArray:
        """Length of each segment in days, shape (n,)."""
        return self.end_day - self.start_day

    @property
    def volume_l(self) -> FloatArray:
        """Litres that passed in each segment, shape (n,)."""
        return self.flow_l_day * self.duration_days

    @property
    def total_l(self) -> float:
        """Litres that passed in all segments together."""
        return float(self.volume_l.sum())

    def between(self, *, start_day: float, end_day: float) -> Segments:
        """The part inside [start_day, end_day]: segments are clipped, flows stay.

        Nothing is added where the segments do not reach. end_day before start_day, or either
        not finite, raises ValueError; equal days give no segments.
        """
        if not (np.isfinite(start_day) and np.isfinite(end_day) and start_day <= end_day):
            raise ValueError("between needs finite days, the first not after the second")
        clipped_start = np.maximum(self.start_day, start_day)
        clipped_end = np.minimum(self.end_day, end_day)
        kept = clipped_end > clipped_start
        return Segments(
            start_day=clipped_start[kept],
            end_day=clipped_end[kept],
            flow_l_day=self.flow_l_day[kept],
            origin=self.origin[kept],
            rel_sd=self.rel_sd[kept],
        )

    def cut(self, days: ArrayLike) -> Segments:
        """The same water, with every segment that spans one of `days` split there."""
        marks = np.unique(vector("days", days))
        marks = marks[np.isfinite(marks)]
        first = np.searchsorted(marks, self.start_day, side="right")
        last = np.searchsorted(marks, self.end_day, side="left")
        pieces = last - first + 1
        owner = np.repeat(np.arange(len(self)), pieces)
        place = np.arange(len(owner)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        is_first, is_last = place == 0, place == pieces[owner] - 1
        start, end = self.start_day[owner].copy(), self.end_day[owner].copy()
        start[~is_first] = marks[(first[owner] + place - 1)[~is_first]]
        end[~is_last] = marks[(first[owner] + place)[~is_last]]
        return Segments(
            start_day=start,
            end_day=end,
            flow_l_day=self.flow_l_day[owner],
            origin=self.origin[owner],
            rel_sd=self.rel_sd[owner],
        )
