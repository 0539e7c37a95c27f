"""Viscosity of water at 0.1 MPa against the values IAPWS recommends.

Source: IAPWS, Revised supplementary release on properties of liquid water at 0.1 MPa (read).
"""

from __future__ import annotations

import pytest

from cartridges.physics.water import viscosity_mpa_s

IAPWS_2011_MPA_S = [  # °C, mPa·s
    (5.0, 1.5182),
    (10.0, 1.3059),
    (20.0, 1.0016),
    (25.0, 0.8900),
    (30.0, 0.7972),
]


@pytest.mark.parametrize(("temperature_c", "printed_mpa_s"), IAPWS_2011_MPA_S)
def test_viscosity_is_the_recommended_value(temperature_c: float, printed_mpa_s: float) -> None:
    computed = viscosity_mpa_s(temperature_c=temperature_c)
    assert computed == pytest.approx(printed_mpa_s, abs=0.51e-4)
