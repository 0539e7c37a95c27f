"""Constant-pressure cake filtration against a published data set.

Source: Ruth's data for calcium carbonate slurry, Geankoplis, Transport Processes and Unit
Operations, example 14.2-1 (read). The book draws the line by eye: slope 3.00e6 s/m6, intercept
6400 s/m3, specific cake resistance 1.863e11 m/kg, medium 1.063e11 1/m. Least squares on the same
points gives 1.792e11 and 1.126e11.
"""

from __future__ import annotations

import pytest

from cartridges.physics.sediment import (
    medium_resistance_per_m,
    ruth_line,
    specific_cake_resistance_m_kg,
)

TIME_S = [4.4, 9.5, 16.3, 24.6, 34.7, 46.1, 59.0, 73.6, 89.4, 107.3]
VOLUME_L = [0.498, 1.000, 1.501, 2.000, 2.498, 3.002, 3.506, 4.004, 4.502, 5.009]
DROP_KPA, AREA_M2, VISCOSITY_MPA_S, SOLIDS_KG_M3 = 338.0, 0.0439, 0.8937, 23.47


def cake(slope_s_m6: float) -> float:
    return specific_cake_resistance_m_kg(
        slope_s_m6=slope_s_m6,
        area_m2=AREA_M2,
        drop_kpa=DROP_KPA,
        viscosity_mpa_s=VISCOSITY_MPA_S,
        solids_kg_m3=SOLIDS_KG_M3,
    )


def medium(intercept_s_m3: float) -> float:
    return medium_resistance_per_m(
        intercept_s_m3=intercept_s_m3,
        area_m2=AREA_M2,
        drop_kpa=DROP_KPA,
        viscosity_mpa_s=VISCOSITY_MPA_S,
    )


def test_the_line_read_by_eye_gives_the_printed_resistances() -> None:
    assert cake(3.00e6) == pytest.approx(1.863e11, abs=0.0006e11)
    assert medium(6400.0) == pytest.approx(1.063e11, abs=0.0006e11)


def test_least_squares_on_the_printed_points() -> None:
    line = ruth_line(t_s=TIME_S, volume_m3=[volume / 1000 for volume in VOLUME_L])
    assert cake(line.slope_s_m6) == pytest.approx(1.792e11, abs=0.0006e11)
    assert medium(line.intercept_s_m3) == pytest.approx(1.126e11, abs=0.0006e11)


def test_least_squares_is_within_reading_error_of_the_line_by_eye() -> None:
    # A line laid by eye through ten points: 5 % in slope and 7 % in intercept.
    line = ruth_line(t_s=TIME_S, volume_m3=[volume / 1000 for volume in VOLUME_L])
    assert line.slope_s_m6 == pytest.approx(3.00e6, rel=0.05)
    assert line.intercept_s_m3 == pytest.approx(6400.0, rel=0.07)
