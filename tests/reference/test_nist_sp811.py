"""Conversion factors against NIST SP 811 (2008), appendix B.8 (values from memory).

Factors that SP 811 prints in bold are exact; the others are printed to seven figures.
"""

from __future__ import annotations

import pytest

from cartridges.physics import units

PRINTED = [
    # our factor, printed factor, one unit of the last printed figure
    ("inch to metre (exact)", units.M_PER_IN, 2.54e-2, 1e-17),
    ("foot to metre (exact)", units.M_PER_FT, 3.048e-1, 1e-16),
    ("cubic foot to litre", units.L_PER_FT3, 28.31685, 1e-5),
    ("cubic inch to litre", units.L_PER_IN3, 1.638706e-2, 1e-8),
    ("gallon (US) to litre", units.L_PER_US_GAL, 3.785412, 1e-6),
    ("psi to kilopascal", units.KPA_PER_PSI, 6.894757, 1e-6),
    ("bar to kilopascal (exact)", units.KPA_PER_BAR, 100.0, 0.0),
    ("day to second (exact)", units.S_PER_DAY, 86400.0, 0.0),
    (
        "gallon (US) per minute to m3/s",
        units.L_DAY_PER_US_GAL_MIN / units.L_PER_M3 / units.S_PER_DAY,
        6.309020e-5,
        1e-11,
    ),
    (
        "gallon (US) per day to m3/s",
        units.L_PER_US_GAL / units.L_PER_M3 / units.S_PER_DAY,
        4.381264e-8,
        1e-14,
    ),
]


@pytest.mark.parametrize(("name", "ours", "printed", "last_figure"), PRINTED)
def test_factor_is_the_printed_one(
    name: str, ours: float, printed: float, last_figure: float
) -> None:
    # NIST SP 811, appendix B.8: value from memory.
    assert ours == pytest.approx(printed, rel=1e-15, abs=0.51 * last_figure), name


def test_us_gallon_is_231_cubic_inches() -> None:
    # The legal definition (NIST Handbook 44, appendix C; value from memory).
    assert pytest.approx(231 * units.L_PER_IN3, rel=1e-15) == units.L_PER_US_GAL


def test_us_gallons_in_a_cubic_foot() -> None:
    # 7.480 52 US gallons (NIST Handbook 44, appendix C; value from memory).
    assert pytest.approx(7.48052, abs=5e-6) == units.US_GAL_PER_FT3
    assert pytest.approx(units.L_PER_FT3 / units.L_PER_US_GAL, rel=1e-15) == units.US_GAL_PER_FT3


def test_fahrenheit_to_celsius_and_back() -> None:
    # Fixed points of the scales: 32 °F is 0 °C, 212 °F is 100 °C, -40 is -40.
    for fahrenheit, celsius in ((32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (77.0, 25.0)):
        assert units.celsius_from_fahrenheit(temperature_f=fahrenheit) == pytest.approx(celsius)
        assert units.fahrenheit_from_celsius(temperature_c=celsius) == pytest.approx(fahrenheit)
