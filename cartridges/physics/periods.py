"""Periods of time: joined where they touch, and looked up by day."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from .arrays import FloatArray


def union(periods: Iterable[tuple[float, float]]) -> FloatArray:
    """Starts and ends of the time that any of `periods` covers, shape (n, 2), sorted, apart."""
    merged: list[list[float]] = []
    for start, end in sorted(periods):
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return np.array(merged, dtype=np.float64).reshape(-1, 2)


def holding(days: FloatArray, *, start_day: FloatArray, end_day: FloatArray) -> NDArray[np.intp]:
    """Index of the period that holds the time just after each day, -1 where none does.

    start_day, end_day: shape (n,), sorted and apart. days: any shape, finite.
    """
    index = np.searchsorted(start_day, days, side="right") - 1
    ends = np.concatenate((end_day, [-np.inf]))
    return np.asarray(np.where(days < ends[index], index, -1), dtype=np.intp)
