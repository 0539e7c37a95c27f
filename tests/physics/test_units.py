"""Every conversion factor against pint's unit registry, an independent library."""

from __future__ import annotations

import pint
import pytest

from cartridges.physics import units

REGISTRY = pint.UnitRegistry()

FACTORS = [
    ("M_PER_IN", "inch", "metre"),
    ("M_PER_FT", "foot", "metre"),
    ("L_PER_M3", "metre**3", "litre"),
    ("L_PER_US_GAL", "US_liquid_gallon", "litre"),
    ("L_PER_FT3", "foot**3", "litre"),
    ("L_PER_IN3", "inch**3", "litre"),
    ("US_GAL_PER_FT3", "foot**3", "US_liquid_gallon"),
    ("KPA_PER_PSI", "pound_force_per_square_inch", "kilopascal"),
    ("KPA_PER_BAR", "bar", "kilopascal"),
    ("PA_PER_KPA", "kilopascal", "pascal"),
    ("PA_S_PER_MPA_S", "millipascal*second", "pascal*second"),
    ("S_PER_MIN", "minute", "second"),
    ("MIN_PER_DAY", "day", "minute"),
    ("S_PER_DAY", "day", "second"),
    ("L_DAY_PER_US_GAL_MIN", "US_liquid_gallon/minute", "litre/day"),
]


@pytest.mark.parametrize(("name", "unit", "into"), FACTORS)
def test_factor_agrees_with_pint(name: str, unit: str, into: str) -> None:
    assert getattr(units, name) == pytest.approx(
        REGISTRY.Quantity(1.0, unit).to(into).magnitude, rel=1e-14
    )


def test_every_factor_is_checked() -> None:
    offered = {name for name in vars(units) if "_PER_" in name}
    assert offered == {name for name, _, _ in FACTORS}


def test_temperatures_agree_with_pint() -> None:
    for fahrenheit in (-20.0, 32.0, 55.5, 104.0):
        expected = REGISTRY.Quantity(fahrenheit, "degF").to("degC").magnitude
        ours = units.celsius_from_fahrenheit(temperature_f=fahrenheit)
        assert ours == pytest.approx(expected, abs=1e-9)
    kelvin = REGISTRY.Quantity(0.0, "degC").to("kelvin").magnitude
    assert kelvin == units.KELVIN_AT_0_C
