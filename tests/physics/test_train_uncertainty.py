"""Where the width of the band comes from: each factor on its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from cartridges.physics.label import bed_from_claim
from cartridges.physics.segments import Segments
from cartridges.physics.train import OutletReading, Placing, TrainInputs, estimate_train

from .scenarios import CARBON, DRIP_L_DAY, FREE_CLAIM, SEDIMENT, certain, source, two_carbons

Z90 = float(norm.ppf(0.9))


def fresh_and_certain() -> TrainInputs:
    base = certain(two_carbons(past_days=1))
    return replace(base, segments=Segments([], [], [], [], []))


def days(inputs: TrainInputs):
    return estimate_train(inputs, now_day=0.0).stages[0].days


def test_capacity_alone_widens_the_band_by_its_own_spread() -> None:
    """t = M/(Q C) - ln(C/Cb - 1)/(k C): capacity moves the first term, lognormally, CV 30 %."""
    bed, cv = bed_from_claim(claim=FREE_CLAIM), 0.30
    found = days(replace(fresh_and_certain(), capacity_cv=cv))
    sharpness = math.log(2.0 / 0.1 - 1.0) / (bed.rate_l_mg_day * 2.0)
    sd = math.sqrt(math.log1p(cv**2))
    for quantile, z in ((found.p10, -Z90), (found.p50, 0.0), (found.p90, Z90)):
        mass_days = bed.capacity_mg * math.exp(z * sd) / (DRIP_L_DAY * 2.0)
        assert quantile == pytest.approx(mass_days - sharpness, rel=5e-3)


def test_rate_alone_moves_only_how_sharp_the_front_is() -> None:
    bed, cv = bed_from_claim(claim=FREE_CLAIM), 0.40
    found = days(replace(fresh_and_certain(), rate_cv=cv))
    mass_days = bed.capacity_mg / (DRIP_L_DAY * 2.0)
    sd = math.sqrt(math.log1p(cv**2))
    for quantile, z in ((found.p10, -Z90), (found.p50, 0.0), (found.p90, Z90)):
        rate = bed.rate_l_mg_day * math.exp(z * sd)
        assert quantile == pytest.approx(mass_days - math.log(19.0) / (rate * 2.0), rel=5e-3)


def test_capacity_and_rate_do_not_move_together() -> None:
    """Both uncertain: the spreads add as independent ones do, not as one and the same would."""
    base = fresh_and_certain()
    medium = replace(CARBON, flow_exponent=0.0, capacity_mg=15_000.0)
    base = replace(base, placings=(Placing(0.0, 1, "a", medium),))
    wide = {
        "capacity": days(replace(base, capacity_cv=0.3)),
        "rate": days(replace(base, rate_cv=0.3)),
        "both": days(replace(base, capacity_cv=0.3, rate_cv=0.3)),
    }
    width = {name: one.p90 - one.p10 for name, one in wide.items()}
    together = math.hypot(width["capacity"], width["rate"])
    assert width["rate"] > 0.15 * width["capacity"]
    assert width["both"] == pytest.approx(together, rel=0.08)


def test_source_and_flow_uncertainty_each_widen_the_band() -> None:
    base = fresh_and_certain()
    unsure_source = replace(base, source_future=source(2.0, each_days=4000.0, rel_sd=0.25))
    unsure_flow = replace(base, future_flow_rel_sd=0.10)
    sure = days(base)
    assert sure.p10 == sure.p90
    for inputs, cv in ((unsure_source, 0.25), (unsure_flow, 0.10)):
        band = days(inputs)
        spread = math.log(band.p90 / band.p10) / (2 * Z90)
        assert spread == pytest.approx(math.sqrt(math.log1p(cv**2)), rel=0.1)


def test_the_flow_exponent_is_uncertain_unless_it_is_the_keepers_own() -> None:
    base = fresh_and_certain()
    free = tuple(replace(one, medium=replace(CARBON, flow_exponent=None)) for one in base.placings)
    band = days(replace(base, placings=free))
    ends = [days(certain(base, exponent=n)).p50 for n in (0.0, 0.5)]
    assert ends[1] < band.p10 < band.p50 < band.p90 < ends[0]


def test_a_reading_at_the_moment_of_a_swap_belongs_to_what_came_out() -> None:
    inputs = two_carbons(past_days=200)
    swap = (Placing(190.0, 1, "third", CARBON), Placing(190.0, 2, "fourth", CARBON))
    strong = OutletReading("last", 190.0, 1, "total", 1.2, below=False)
    swapped = replace(inputs, placings=(*inputs.placings, *swap), outlet_readings=(strong,))
    found = estimate_train(swapped, now_day=200.0)
    assert found.unreconciled == ()
    plain = estimate_train(replace(swapped, outlet_readings=()), now_day=200.0)
    assert found.stages[0].days.p50 < plain.stages[0].days.p50
    # Of a first cartridge there is nothing before it: a test that day is of the new one.
    first = replace(inputs, outlet_readings=(replace(strong, day=0.0),))
    assert estimate_train(first, now_day=200.0).unreconciled == ("last",)


def test_free_and_total_readings_are_of_different_things() -> None:
    """0.5 mg/L of total in a chloramine train is no surprise; of free chlorine it would be."""
    inputs = two_carbons(free_mg_l=0.2, combined_mg_l=1.8, flow_l_day=120.0, past_days=30)
    stage = estimate_train(inputs, now_day=30.0).stages[0]
    level = stage.outlet_total_mg_l.p50
    total = OutletReading("t", 29.0, 1, "total", level, below=False)
    seen = estimate_train(replace(inputs, outlet_readings=(total,)), now_day=30.0)
    free = replace(total, species="free")
    odd = estimate_train(replace(inputs, outlet_readings=(free,)), now_day=30.0)
    assert seen.unreconciled == () and odd.unreconciled == ("t",)


def test_the_calendar_counts_from_the_first_wetting_through_a_rotation() -> None:
    wet = replace(CARBON, calendar_days=365.0)
    inputs = two_carbons(past_days=200, medium=wet)
    moved = (Placing(150.0, 1, "second"), Placing(150.0, 2, "third", wet))
    lead, lag = estimate_train(
        replace(inputs, placings=(*inputs.placings, *moved)), now_day=200.0
    ).stages
    assert lead.days_by_cause["calendar"].p50 == 165.0
    assert lag.days_by_cause["calendar"].p50 == 315.0
    assert lead.curve.day[0] == 150.0


def test_a_sediment_stage_depends_on_solids_and_load_both_uncertain() -> None:
    inputs = replace(
        two_carbons(),
        placings=(Placing(0.0, 1, "s", replace(SEDIMENT, calendar_days=None)),),
        turbidity_ntu=1.0,
    )
    dirt = estimate_train(inputs, now_day=60.0).stages[0].days_by_cause["dirt"]
    life = np.array([dirt.p10, dirt.p50, dirt.p90]) + 60.0
    spread = math.log(life[2] / life[0]) / (2 * Z90)
    assert spread == pytest.approx(math.sqrt(math.log1p(0.5**2) + math.log1p(0.3**2)), rel=0.1)
