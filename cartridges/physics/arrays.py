"""Array types and the checks that every dated series in the model shares."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int8]
BoolArray = NDArray[np.bool_]


def vector(name: str, values: ArrayLike) -> FloatArray:
    """One-dimensional read-only float64 copy of `values`; any other shape is a ValueError."""
    array = np.array(values, dtype=np.float64, ndmin=1)
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional")
    array.flags.writeable = False
    return array


def equally_long(**arrays: NDArray[np.generic]) -> None:
    """Raise ValueError unless all the named arrays have one length."""
    lengths = {name: len(array) for name, array in arrays.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"these must be equally long: {lengths}")


def in_order(*, start_day: FloatArray, end_day: FloatArray) -> None:
    """Raise ValueError unless the periods are finite, longer than nothing, sorted and apart."""
    if not (np.isfinite(start_day).all() and np.isfinite(end_day).all()):
        raise ValueError("start_day and end_day must be finite")
    if (end_day <= start_day).any():
        raise ValueError("every period must end after it starts")
    if (start_day[1:] < end_day[:-1]).any():
        raise ValueError("periods must be sorted and must not overlap")
