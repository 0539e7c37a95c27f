"""Properties of tap water."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .arrays import FloatArray
from .units import KELVIN_AT_0_C

REFERENCE_K: Final = 300.0
COLDEST_C: Final = -20.0
HOTTEST_C: Final = 110.0
_TERMS: Final = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))


def viscosity_mpa_s(*, temperature_c: ArrayLike) -> FloatArray:
    """Dynamic viscosity of liquid water at 0.1 MPa, mPa·s.

    280.68 T^-1.9 + 511.45 T^-7.7 + 61.131 T^-19.6 + 0.45903 T^-40 in µPa·s, where T is the
    absolute temperature over 300 K.

    temperature_c: °C, any shape; the result has that shape (a scalar gives a zero-dimensional
    array's scalar). Valid from -20 to 110 °C; outside it, and for NaN, the result is NaN.
    Source: IAPWS, supplementary release on properties of liquid water at 0.1 MPa (2011).
    """
    celsius = np.asarray(temperature_c, dtype=np.float64)
    valid = (celsius >= COLDEST_C) & (celsius <= HOTTEST_C)
    reduced = (np.where(valid, celsius, np.nan) + KELVIN_AT_0_C) / REFERENCE_K
    micro = np.zeros_like(reduced)
    for factor, power in _TERMS:
        micro = micro + factor * reduced**power
    return np.asarray(micro / 1000)
