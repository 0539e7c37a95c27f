"""The sediment stage: resistance from pressure pairs, dirt held, and what comes first."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.sediment import (
    GAUGE_SD_KPA,
    SOLIDS_MG_L_PER_NTU,
    ResistanceFit,
    dirt_life,
    drop_kpa,
    fit_resistance,
    medium_resistance_per_m,
    resistance_life,
    resistance_per_m3,
    ruth_line,
    sediment_life,
    specific_cake_resistance_m_kg,
)
from cartridges.physics.throughput import Restrictor, restricted_flow_l_day, stage_drop_kpa
from cartridges.physics.units import KPA_PER_PSI, L_DAY_PER_US_GAL_MIN


def test_a_pound_at_a_gallon_a_minute_is_nothing_at_a_litre_an_hour() -> None:
    # 1 gal/min is 227.12 L/h (exact factors), and a laminar drop goes with the flow.
    resistance = resistance_per_m3(
        drop_kpa=KPA_PER_PSI, flow_l_day=L_DAY_PER_US_GAL_MIN, temperature_c=20
    )
    drip = drop_kpa(resistance_per_m3=resistance, flow_l_day=24, temperature_c=20)
    assert drip / KPA_PER_PSI == pytest.approx(1 / 227.12, rel=1e-4)


def test_resistance_by_its_definition() -> None:
    # 1 kPa, 86.4 L/day = 1e-6 m3/s, 1.0016 mPa·s at 20 °C (IAPWS, read): 1000/(1.0016e-3 · 1e-6).
    resistance = resistance_per_m3(drop_kpa=1, flow_l_day=86.4, temperature_c=20)
    assert resistance == pytest.approx(1e12 / 1.0016, rel=1e-4)


def test_resistance_of_bad_values() -> None:
    resistance = resistance_per_m3(
        drop_kpa=[1, np.nan, 1, 1, -1],
        flow_l_day=[0, 1, -1, np.nan, 1],
        temperature_c=20,
    )
    assert np.isnan(resistance[:4]).all()
    assert resistance[4] < 0


def noisy_pairs(growth: float, seed: int, flow_l_day: float) -> dict[str, object]:
    rng = np.random.default_rng(seed)
    volume = np.linspace(0, 20_000, 12)
    true = drop_kpa(
        resistance_per_m3=5e10 + growth * volume, flow_l_day=flow_l_day, temperature_c=15
    )
    return {
        "volume_l": volume,
        "drop_kpa": true + rng.normal(0, GAUGE_SD_KPA, 12),
        "flow_l_day": np.full(12, flow_l_day),
        "temperature_c": 15.0,
    }


@given(seed=st.integers(0, 2**32 - 1))
def test_growth_of_resistance_is_recovered_where_the_flow_shows_it(seed: int) -> None:
    # At 1 gal/min the drop grows from 3.6 to about 150 kPa.
    fit = fit_resistance(**noisy_pairs(1e8, seed, L_DAY_PER_US_GAL_MIN))
    assert fit.tells
    assert abs(fit.growth_per_m3_l - 1e8) < 6 * fit.growth_sd_per_m3_l
    assert fit.growth_sd_per_m3_l < 1e7


@given(seed=st.integers(0, 2**32 - 1))
def test_at_a_drip_the_data_cannot_tell(seed: int) -> None:
    pairs = noisy_pairs(1e8, seed, 24.0)
    fit = fit_resistance(**pairs)
    assert fit.growth_sd_per_m3_l > 3e8, "three times the growth itself"
    assert abs(fit.growth_per_m3_l) < 6 * fit.growth_sd_per_m3_l


def test_the_share_of_clean_filters_that_seem_to_clog_is_small() -> None:
    told = [fit_resistance(**noisy_pairs(0.0, seed, 24.0)).tells for seed in range(2_000)]
    # Beyond 2 standard errors on one side: 2.3 % of normals; fewer where the scatter is used.
    assert np.mean(told) < 0.032


def test_exact_pairs_give_the_line_and_the_gauge_error_alone() -> None:
    volume = np.array([0.0, 1000.0, 3000.0])
    flow = np.array([5000.0, 4000.0, 3000.0])
    drop = drop_kpa(resistance_per_m3=4e10 + 2e8 * volume, flow_l_day=flow, temperature_c=10)
    fit = fit_resistance(volume_l=volume, drop_kpa=drop, flow_l_day=flow, temperature_c=10)
    assert fit.clean_per_m3 == pytest.approx(4e10, rel=1e-9)
    assert fit.growth_per_m3_l == pytest.approx(2e8, rel=1e-9)
    sd = resistance_per_m3(drop_kpa=GAUGE_SD_KPA, flow_l_day=flow, temperature_c=10)
    line = np.array([np.ones(3), volume]).T / sd[:, None]
    covariance = np.linalg.inv(line.T @ line)
    assert fit.growth_sd_per_m3_l == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-9)


def test_pairs_at_one_volume_cannot_tell() -> None:
    fit = fit_resistance(volume_l=[100], drop_kpa=[10], flow_l_day=[500], temperature_c=10)
    assert not fit.tells
    assert np.isnan(fit.growth_per_m3_l)
    assert fit.growth_sd_per_m3_l == np.inf
    life = resistance_life(
        fit=fit, limit_kpa=70, flow_l_day=500, passed_l=0, temperature_c=10, growth_z=[0, 1]
    )
    assert life.tolist() == [np.inf, np.inf]


def test_a_falling_flow_tells_the_drop_before_the_restrictor() -> None:
    for exponent, laminar in ((0.5, False), (1.0, True)):
        restrictor = Restrictor(0, 300, exponent=exponent, laminar=laminar)
        # The restrictor sees 350 of the supply's 400 kPa: the stages lose 50.
        flow = restricted_flow_l_day(restrictor=restrictor, pressure_kpa=350, temperature_c=12)
        lost = stage_drop_kpa(
            restrictor=restrictor, flow_l_day=flow, pressure_kpa=400, temperature_c=12
        )
        assert lost == pytest.approx(50)
    steady = Restrictor(0, 300, exponent=0, laminar=False)
    assert np.isnan(
        stage_drop_kpa(restrictor=steady, flow_l_day=300, pressure_kpa=400, temperature_c=12)
    )
    assert np.isnan(
        stage_drop_kpa(restrictor=restrictor, flow_l_day=-1, pressure_kpa=400, temperature_c=12)
    )


FIT = ResistanceFit(
    clean_per_m3=1e11, growth_per_m3_l=1e8, growth_sd_per_m3_l=2e7, pairs=6, tells=True
)


def test_days_to_the_resistance_limit_give_that_drop() -> None:
    days = resistance_life(
        fit=FIT, limit_kpa=70, flow_l_day=3000, passed_l=200, temperature_c=15, growth_z=[0, 1, -1]
    )
    volume = 200 + 3000 * days
    growth = 1e8 + np.array([0, 1, -1]) * 2e7
    reached = drop_kpa(resistance_per_m3=1e11 + growth * volume, flow_l_day=3000, temperature_c=15)
    assert reached == pytest.approx([70, 70, 70], rel=1e-12)
    assert days[1] < days[0] < days[2]


def test_resistance_never_comes_without_growth_limit_or_flow() -> None:
    asked = {"flow_l_day": 3000, "passed_l": 200, "temperature_c": 15}
    assert resistance_life(fit=FIT, limit_kpa=None, **asked) == np.inf
    assert resistance_life(fit=None, limit_kpa=70, **asked) == np.inf
    assert resistance_life(fit=FIT, limit_kpa=70, growth_z=-5.0, **asked) == np.inf
    assert resistance_life(fit=FIT, limit_kpa=70, **(asked | {"flow_l_day": 0})) == np.inf
    assert resistance_life(fit=FIT, limit_kpa=70, **(asked | {"passed_l": 1e9})) == 0


def test_dirt_life_by_hand() -> None:
    # 50 g over 0.5 NTU · 2 mg/L each = 50,000 L; 10,000 gone, 40,000 left at 200 L/day: 200 days.
    days = dirt_life(
        dirt_capacity_g=50,
        turbidity_ntu=0.5,
        flow_l_day=200,
        passed_l=10_000,
        solids_mg_l_per_ntu=2,
    )
    assert days == pytest.approx(200)


def test_dirt_life_past_unknown_clear_or_still() -> None:
    asked = {"dirt_capacity_g": 50, "turbidity_ntu": 0.5, "flow_l_day": 200, "passed_l": 0}
    assert dirt_life(**(asked | {"passed_l": 1e9})) == 0
    for change in (
        {"dirt_capacity_g": None},
        {"dirt_capacity_g": np.nan},
        {"turbidity_ntu": None},
        {"turbidity_ntu": 0.0},
        {"flow_l_day": 0.0},
    ):
        assert dirt_life(**(asked | change)) == np.inf, change


def test_sediment_life_over_members() -> None:
    life = sediment_life(
        flow_l_day=np.array([100.0, 200.0, 3000.0]),
        passed_l=5_000.0,
        age_days=40.0,
        temperature_c=15.0,
        dirt_capacity_g=26.0,
        turbidity_ntu=0.5,
        fit=FIT,
        resistance_limit_kpa=70.0,
        calendar_days=180.0,
        capacity_factor=np.array([1.0, 2.0, 1.0]),
        solids_factor=np.array([1.0, 1.0, 2.0]),
        growth_z=np.array([0.0, 0.0, 1.0]),
    )
    assert set(life) == {"dirt", "resistance", "calendar"}
    holds_l = 26_000 / (0.5 * SOLIDS_MG_L_PER_NTU) * np.array([1.0, 2.0, 0.5])
    assert life["dirt"] == pytest.approx((holds_l - 5000) / [100, 200, 3000])
    assert life["calendar"].tolist() == [140, 140, 140]
    alone = resistance_life(
        fit=FIT, limit_kpa=70, flow_l_day=3000, passed_l=5000, temperature_c=15, growth_z=1.0
    )
    assert life["resistance"][2] == alone
    assert life["resistance"].shape == (3,)


def test_sediment_life_of_which_nothing_is_known_is_without_end() -> None:
    life = sediment_life(flow_l_day=100.0, passed_l=0.0, age_days=10.0, temperature_c=15.0)
    assert {name: float(days) for name, days in life.items()} == dict.fromkeys(life, np.inf)
    past = sediment_life(
        flow_l_day=100.0, passed_l=0.0, age_days=10.0, temperature_c=15.0, calendar_days=5.0
    )
    assert past["calendar"] == 0


@pytest.mark.parametrize(
    ("t_s", "volume_m3", "words"),
    [
        ([1, 2], [1, 1], "two different"),
        ([1, 2], [0, 1], "above 0"),
        ([1, np.nan], [1, 2], "finite"),
        ([1, 2, 3], [1, 2], "equally long"),
    ],
)
def test_impossible_filtration_data_are_refused(
    t_s: list[float], volume_m3: list[float], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        ruth_line(t_s=t_s, volume_m3=volume_m3)


def test_each_argument_of_the_cake_law_has_its_own_power() -> None:
    fine = {
        "slope_s_m6": 3e6,
        "area_m2": 0.04,
        "drop_kpa": 300.0,
        "viscosity_mpa_s": 0.9,
        "solids_kg_m3": 20.0,
    }
    powers = {
        "slope_s_m6": 1,
        "area_m2": 2,
        "drop_kpa": 1,
        "viscosity_mpa_s": -1,
        "solids_kg_m3": -1,
    }
    for name, power in powers.items():
        doubled = specific_cake_resistance_m_kg(**(fine | {name: 2 * fine[name]}))
        assert doubled / specific_cake_resistance_m_kg(**fine) == pytest.approx(2.0**power)
    medium = {
        "intercept_s_m3": 6e3,
        "area_m2": 0.04,
        "drop_kpa": 300.0,
        "viscosity_mpa_s": 0.9,
    }
    for name in medium:
        doubled = medium_resistance_per_m(**(medium | {name: 2 * medium[name]}))
        power = -1 if name == "viscosity_mpa_s" else 1
        assert doubled / medium_resistance_per_m(**medium) == pytest.approx(2.0**power)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"volume_l": [], "drop_kpa": [], "flow_l_day": []}, "no pressure pair"),
        ({"flow_l_day": [0, 500]}, "flows above 0"),
        ({"drop_kpa": [np.nan, 5]}, "finite"),
        ({"drop_kpa": [5]}, "equally long"),
        ({"gauge_sd_kpa": 0}, "finite"),
    ],
)
def test_impossible_pairs_are_refused(change: dict[str, object], words: str) -> None:
    fine = {
        "volume_l": [0, 100],
        "drop_kpa": [4, 5],
        "flow_l_day": [500, 500],
        "temperature_c": 15,
    }
    with pytest.raises(ValueError, match=words):
        fit_resistance(**(fine | change))
