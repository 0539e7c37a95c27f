"""Viscosity at its limits, outside them, and over whole vectors."""

from __future__ import annotations

import numpy as np

from cartridges.physics.water import viscosity_mpa_s

ASKED_C = [-20.0, 110.0, -20.1, 110.1, np.nan, np.inf, -np.inf, 15.0]
IS_NUMBER = [True, True, False, False, False, False, False, True]


def test_limits_outside_and_nan_in_one_vector() -> None:
    assert np.isfinite(viscosity_mpa_s(temperature_c=ASKED_C)).tolist() == IS_NUMBER


def test_limits_outside_and_nan_one_by_one() -> None:
    assert [bool(np.isfinite(viscosity_mpa_s(temperature_c=t))) for t in ASKED_C] == IS_NUMBER


def test_shape_is_kept() -> None:
    assert viscosity_mpa_s(temperature_c=np.full((2, 3), 20.0)).shape == (2, 3)
    assert viscosity_mpa_s(temperature_c=20.0).shape == ()


def test_warmer_water_is_thinner_all_the_way() -> None:
    assert (np.diff(viscosity_mpa_s(temperature_c=np.linspace(-20, 110, 500))) < 0).all()
