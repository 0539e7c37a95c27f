"""Exact conversion factors: multiply a value in the unit after PER to get the one before it.

Sources: NIST SP 811 (2008), appendix B. The inch (25.4 mm), the US gallon (231 cubic inches),
the pound (0.453 592 37 kg) and standard gravity (9.806 65 m/s2) are exact by definition, so
every factor built from them is exact too, up to the rounding of a float64.
"""

from __future__ import annotations

from typing import Final

M_PER_IN: Final = 0.0254
M_PER_FT: Final = 12 * M_PER_IN
L_PER_M3: Final = 1000.0
L_PER_US_GAL: Final = 3.785411784
L_PER_FT3: Final = 28.316846592
L_PER_IN3: Final = 0.016387064
US_GAL_PER_FT3: Final = 1728 / 231
KPA_PER_PSI: Final = 0.45359237 * 9.80665 / (M_PER_IN * M_PER_IN) / 1000
KPA_PER_BAR: Final = 100.0
PA_PER_KPA: Final = 1000.0
PA_S_PER_MPA_S: Final = 1e-3
S_PER_MIN: Final = 60.0
MIN_PER_DAY: Final = 1440.0
S_PER_DAY: Final = 86400.0
L_DAY_PER_US_GAL_MIN: Final = L_PER_US_GAL * MIN_PER_DAY
KELVIN_AT_0_C: Final = 273.15


def celsius_from_fahrenheit(*, temperature_f: float) -> float:
    """°C from °F, (t - 32) / 1.8 (NIST SP 811, appendix B.8). NaN gives NaN."""
    return (temperature_f - 32) / 1.8


def fahrenheit_from_celsius(*, temperature_c: float) -> float:
    """°F from °C, 1.8 t + 32 (NIST SP 811, appendix B.8). NaN gives NaN."""
    return temperature_c * 1.8 + 32
