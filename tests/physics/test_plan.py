"""The renewals of a train, rule by rule, on trains plain enough to work out by hand."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from cartridges.physics.bed import bohart_adams_outlet, days_to_outlet
from cartridges.physics.causes import DIRT_CAPACITY_CV
from cartridges.physics.ensemble import log_sd
from cartridges.physics.plan import MOST_RENEWALS, Renewals, simulate_renewals
from cartridges.physics.plan_train import alike
from cartridges.physics.sediment import SOLIDS_MG_L_PER_NTU, SOLIDS_PER_NTU_CV
from cartridges.physics.train import Medium, OutletReading, Placing, PressurePair, estimate_train

from .plans import new_train, plan, spec_of, uncertain, water, weak_carbon, worn_train
from .scenarios import BOTH, CARBON, SEDIMENT, segments

FLOW_L_DAY = 300.0
LIMIT_MG_L = 0.1
TAP_MG_L = 2.0


def life_days(medium: Medium = CARBON, *, flow_l_day: float = FLOW_L_DAY) -> float:
    """Closed form, from new, in steady water."""
    spec = spec_of(medium)
    return float(
        days_to_outlet(
            1.0,
            limit_mg_l=LIMIT_MG_L,
            inlet_mg_l=TAP_MG_L,
            transfer_units=spec.rate_free_l_mg_day * spec.capacity_mg / flow_l_day,
            rate_l_mg_day=spec.rate_free_l_mg_day,
        )
    )


def days(renewals: Renewals) -> list[float]:
    return [one.day for one in renewals.renewals]


def test_a_single_carbon_is_renewed_at_exact_multiples_of_its_closed_form_life() -> None:
    life = life_days()
    found = plan(new_train(CARBON))
    count = math.floor(730.0 / life)
    assert count >= 5
    np.testing.assert_allclose(days(found), life * np.arange(1, count + 1), rtol=1e-9)
    assert [one.replaced for one in found.renewals] == ["c1", *[""] * (count - 1)]
    for one in found.renewals:
        assert (one.stage, one.group, one.cause) == (1, 1, "outlet_limit")
        assert (one.medium_key, one.rotation) == ("block", False)
        assert one.life_days == pytest.approx(life)
    assert not found.cannot_hold
    assert found.until_day == 730.0
    assert found.litres == 730.0 * FLOW_L_DAY


def test_a_worn_carbon_is_renewed_at_what_is_left_of_its_life_and_then_at_whole_lives() -> None:
    found = plan(worn_train(CARBON, past_days=30), now_day=30.0, horizon_days=400.0)
    life = life_days()
    np.testing.assert_allclose(days(found), life * np.arange(1, len(days(found)) + 1), rtol=1e-6)
    assert 400.0 - life < days(found)[-1] - 30.0 < 400.0


def test_what_is_overdue_is_renewed_today() -> None:
    late = plan(worn_train(CARBON, past_days=200), now_day=200.0)
    assert late.renewals[0].day == 200.0
    assert late.renewals[1].day == pytest.approx(200.0 + life_days())
    assert late.renewals[0].life_days == 200.0


def test_the_chlorine_a_bed_took_is_the_capacity_it_lost_at_every_renewal() -> None:
    """Q times the integral of C0 - C by quadrature against M (1 - S): the mass balance."""
    spec = spec_of(CARBON)

    def taken(day: float) -> float:
        leaving = bohart_adams_outlet(
            time_days=day,
            inlet_mg_l=TAP_MG_L,
            flow_l_day=FLOW_L_DAY,
            capacity_mg=spec.capacity_mg,
            rate_l_mg_day=spec.rate_free_l_mg_day,
        )
        return FLOW_L_DAY * (TAP_MG_L - float(leaving))

    last = 0.0
    for one in plan(new_train(CARBON)).renewals:
        mass, _ = quad(taken, 0.0, one.day - last, epsabs=0.0, epsrel=1e-12, limit=200)
        assert one.worn is not None
        assert spec.capacity_mg * (1.0 - one.worn) == pytest.approx(mass, rel=1e-9)
        last = one.day


def test_a_rotating_pair_settles_to_one_cartridge_for_each_capacity_it_uses() -> None:
    """In the steady round what enters between two rotations is what the removed bed has lost."""
    found = plan(new_train(CARBON, CARBON), horizon_days=2000.0).renewals
    assert len(found) > 10
    assert all(one.rotation and one.stage == 1 for one in found)
    assert [one.replaced for one in found[:3]] == ["c1", "c2", ""]
    for before, after in pairwise(found[3:]):
        assert after.worn is not None
        used_mg = spec_of(CARBON).capacity_mg * (1.0 - after.worn)
        entered_mg = TAP_MG_L * FLOW_L_DAY * (after.day - before.day)
        assert used_mg == pytest.approx(entered_mg, rel=1e-9)
        # and the life that is told of it is that round, give or take the chlorine slipping through
        assert after.life_days == pytest.approx(after.day - before.day, rel=0.01)


def test_the_same_day_policy_renews_all_carbon_when_the_last_outlet_is_due() -> None:
    inputs = new_train(CARBON, CARBON)
    found = plan(inputs, "same_day")
    due = estimate_train(inputs, now_day=0.0, members=16).stages[-1].days.planned
    moments = Counter(one.day for one in found.renewals)
    np.testing.assert_allclose(list(moments), due * np.arange(1, len(moments) + 1), rtol=1e-5)
    assert set(moments.values()) == {2}
    assert not any(one.rotation for one in found.renewals)
    assert {one.group for one in found.renewals} == {1}


def test_with_the_members_of_the_estimate_the_first_days_are_its_planned_days() -> None:
    inputs = replace(
        uncertain(new_train(SEDIMENT, CARBON, CARBON)), turbidity_ntu=0.5, plan_share=0.25
    )
    stages = estimate_train(inputs, now_day=0.0, members=512).stages
    found = plan(inputs, members=512)
    first = {stage: next(one for one in found.renewals if one.stage == stage) for stage in (1, 2)}
    assert first[1].day == pytest.approx(stages[0].days.planned, rel=1e-12)
    assert first[2].day == pytest.approx(stages[1].days.planned, rel=1e-12)
    together = plan(inputs, "same_day", members=512)
    carbon = next(one for one in together.renewals if one.stage == 2)
    assert carbon.day == pytest.approx(stages[2].days.planned, rel=1e-6)


def test_a_sediment_cartridge_comes_back_at_each_end_of_its_calendar() -> None:
    inputs = replace(worn_train(SEDIMENT, past_days=100), turbidity_ntu=None)
    found = plan(inputs, now_day=100.0)
    assert days(found) == [180.0, 360.0, 540.0, 720.0]
    assert {one.cause for one in found.renewals} == {"calendar"}
    assert [one.worn for one in found.renewals] == [0.0] * 4
    assert [one.life_days for one in found.renewals] == [180.0] * 4


@pytest.mark.parametrize("plan_share", [0.05, 0.10, 0.5])
def test_a_sediment_cartridge_full_of_dirt_comes_at_the_share_of_a_lognormal(
    plan_share: float,
) -> None:
    """Load / (solids x flow), both lognormal, so the planned interval is known in closed form."""
    medium = replace(SEDIMENT, calendar_days=None, dirt_capacity_g=30.0)
    inputs = replace(new_train(medium), turbidity_ntu=1.0, plan_share=plan_share)
    spread = math.hypot(float(log_sd(DIRT_CAPACITY_CV)), float(log_sd(SOLIDS_PER_NTU_CV)))
    middle = 30_000.0 / (SOLIDS_MG_L_PER_NTU * FLOW_L_DAY)
    interval = middle * math.exp(float(norm.ppf(plan_share)) * spread)
    found = plan(inputs, members=4096)
    np.testing.assert_allclose(np.diff([0.0, *days(found)]), interval, rtol=0.02)
    assert len(found.renewals) == math.floor(730.0 / np.diff(days(found))[0])
    assert {one.cause for one in found.renewals} == {"dirt"}
    # The median member is left with a share that depends on how careful the plan is.
    assert found.renewals[1].worn == pytest.approx(1.0 - interval / middle, abs=0.02)


def test_a_new_sediment_cartridge_clogs_as_the_one_before_did() -> None:
    """2 kPa clean and 0.3 kPa more each day meet the usual 69 kPa on day 223.3, and so on."""
    medium = replace(SEDIMENT, calendar_days=None, dirt_capacity_g=None)
    inputs = replace(
        worn_train(medium, past_days=100, flow_l_day=2000.0),
        pressure_pairs=tuple(PressurePair(day, 1, 2.0 + 0.3 * day) for day in (1.0, 50.0, 100.0)),
        plan_share=0.5,
    )
    found = plan(inputs, now_day=100.0, members=1024)
    np.testing.assert_allclose(days(found), (67.0 / 0.3) * np.array([1, 2, 3]), rtol=0.01)
    assert {one.cause for one in found.renewals} == {"resistance"}
    assert found.renewals[0].worn is None


def test_carbon_too_old_goes_out_from_where_it_sits() -> None:
    """c2 is 100 days older than the others of its chain, and 180 is all that the package allows."""
    old = replace(CARBON, calendar_days=180.0, capacity_mg=1e7, flow_exponent=0.0)
    inputs = new_train(old, old, old)
    placings = (
        Placing(-100.0, 2, "c2", old),
        Placing(0.0, 1, "c1", old),
        Placing(0.0, 3, "c3", old),
    )
    found = plan(replace(inputs, placings=placings)).renewals
    assert [(one.day, one.stage, one.rotation, one.replaced) for one in found[:4]] == [
        (80.0, 2, True, "c2"),
        # c1 and c3 are of one age: the one that came in on day 80 moves to the front.
        (180.0, 1, True, "c1"),
        (180.0, 2, True, "c3"),
        (260.0, 1, True, ""),
    ]
    assert {one.cause for one in found} == {"calendar"}


def test_a_pair_of_one_age_is_renewed_where_it_stands() -> None:
    old = replace(CARBON, calendar_days=180.0, capacity_mg=1e7)
    found = plan(new_train(old, old), horizon_days=400.0).renewals
    assert [(one.day, one.stage, one.rotation) for one in found] == [
        (180.0, 1, False),
        (180.0, 2, False),
        (360.0, 1, False),
        (360.0, 2, False),
    ]


def test_under_same_day_the_oldest_carbon_takes_all_of_it_along() -> None:
    old = replace(CARBON, calendar_days=180.0, capacity_mg=1e7, flow_exponent=0.0)
    inputs = replace(
        new_train(old, old), placings=(Placing(0.0, 1, "c1", old), Placing(-60.0, 2, "c2", old))
    )
    found = plan(inputs, "same_day", horizon_days=350.0).renewals
    assert [(one.day, one.stage, one.life_days) for one in found] == [
        (120.0, 1, 120.0),
        (120.0, 2, 180.0),
        (300.0, 1, 180.0),
        (300.0, 2, 180.0),
    ]


def test_unlike_carbons_are_renewed_in_place_each_at_its_own_outlet() -> None:
    grains = replace(CARBON, key="grains", kind="granular_carbon")
    found = plan(new_train(grains, CARBON))
    np.testing.assert_allclose(
        days(found), life_days() * np.arange(1, len(days(found)) + 1), rtol=1e-9
    )
    assert {(one.stage, one.medium_key, one.rotation) for one in found.renewals} == {
        (1, "grains", False)
    }
    assert not alike(CARBON, grains)
    assert not alike(CARBON, replace(CARBON, key="big", bed_volume_l=3.0))
    assert alike(CARBON, replace(CARBON, key="unknown", bed_volume_l=None))


def test_the_spare_of_a_chain_is_of_the_kind_that_sits_last() -> None:
    other = replace(CARBON, key="other maker")
    found = plan(new_train(CARBON, other)).renewals
    assert {one.medium_key for one in found} == {"other maker"}
    assert [one.replaced for one in found[:2]] == ["c1", "c2"]


def test_still_water_wears_nothing_but_the_calendar_runs() -> None:
    inputs = new_train(SEDIMENT, CARBON, flow_l_day=0.0)
    found = plan(inputs)
    assert days(found) == [180.0, 360.0, 540.0, 720.0]
    assert {one.stage for one in found.renewals} == {1}
    assert found.litres == 0.0


def test_bursts_of_an_open_valve_take_more_cartridges_than_a_steady_drip() -> None:
    steady = new_train(CARBON)
    bursts = replace(steady, on_flow_l_day=2500.0)
    life = estimate_train(bursts, now_day=0.0, members=16).stages[0].days.p50
    found = plan(bursts)
    np.testing.assert_allclose(days(found), life * np.arange(1, len(days(found)) + 1), rtol=1e-9)
    assert len(found.renewals) > len(plan(steady).renewals)


def test_ageing_shortens_every_life_alike() -> None:
    ageing = replace(CARBON, ageing_per_day=0.004)
    found = days(plan(new_train(ageing)))
    gaps = np.diff([0.0, *found])
    np.testing.assert_allclose(gaps, gaps[0], atol=1e-3)
    assert gaps[0] < 0.95 * life_days()


def test_a_first_bed_too_weak_alone_rotates_when_the_last_outlet_is_due() -> None:
    weak = weak_carbon(transfer_units=2.5, flow_l_day=FLOW_L_DAY, capacity_mg=60_000.0)
    inputs = new_train(weak, weak)
    due = estimate_train(inputs, now_day=0.0, members=16).stages[-1].days.planned
    found = plan(inputs)
    assert found.renewals[0].day == pytest.approx(due, abs=1e-3)
    assert all(one.rotation for one in found.renewals)
    assert not found.cannot_hold


def test_a_train_that_cannot_hold_even_new_is_planned_by_its_package() -> None:
    """1.5 transfer units let 22 % of the tap through; the label says 37,854 L and 200 days."""
    weak = weak_carbon(transfer_units=1.5, flow_l_day=FLOW_L_DAY, capacity_mg=60_000.0)
    claim = weak.free_claim
    assert claim is not None
    found = plan(new_train(weak))
    np.testing.assert_allclose(
        days(found),
        claim.rated_volume_l / FLOW_L_DAY * np.arange(1, len(days(found)) + 1),
        rtol=1e-9,
    )
    assert len(found.renewals) == 5
    assert {one.cause for one in found.renewals} == {"label_volume"}
    assert found.cannot_hold
    assert found.unheld == ((0.0, 730.0),)
    by_age = plan(new_train(replace(weak, calendar_days=100.0)))
    assert days(by_age) == [100.0 * k for k in range(1, 8)]
    assert {one.cause for one in by_age.renewals} == {"calendar"}
    unlabelled = replace(weak, free_claim=None)
    assert plan(new_train(unlabelled)).renewals == ()


@pytest.mark.parametrize("policy", ["lead_lag", "same_day"])
def test_cartridges_that_last_a_week_end_the_plan_early_and_say_so(policy: str) -> None:
    small = weak_carbon(transfer_units=12.0, flow_l_day=FLOW_L_DAY, capacity_mg=7_000.0)
    found = plan(new_train(small, small), policy)
    assert MOST_RENEWALS - 2 <= len(found.renewals) <= MOST_RENEWALS
    assert found.renewals[-1].day < found.until_day < 730.0
    smaller = weak_carbon(transfer_units=12.0, flow_l_day=FLOW_L_DAY, capacity_mg=3_000.0)
    assert plan(new_train(smaller), policy).cannot_hold


def test_a_cause_that_meets_even_a_new_cartridge_asks_for_nothing() -> None:
    """A sediment cartridge that one morning fills: its calendar is all that can be planned."""
    hopeless = replace(SEDIMENT, dirt_capacity_g=0.001)
    found = plan(replace(new_train(hopeless), turbidity_ntu=5.0))
    assert days(found) == [180.0, 360.0, 540.0, 720.0]


def test_a_train_without_cartridges_and_one_without_carbon_have_their_plans() -> None:
    empty = replace(new_train(CARBON), placings=(Placing(0.0, 1, None),))
    assert plan(empty).renewals == ()
    assert plan(new_train(Medium("net", "sediment"))).renewals == ()


def test_readings_condition_the_plan_as_they_do_the_estimate() -> None:
    base = uncertain(worn_train(CARBON, past_days=60))
    base = replace(base, segments=segments(np.full(60, FLOW_L_DAY), rel_sd=0.02))
    high = replace(base, outlet_readings=(OutletReading("t", 59.0, 1, "total", 0.3, below=False),))
    count = {len(plan(one, now_day=60.0, members=1024).renewals) for one in (base, high)}
    assert len(plan(high, now_day=60.0, members=1024).renewals) == max(count)
    assert len(count) == 2


def test_bad_questions_are_refused() -> None:
    inputs = new_train(CARBON)
    for bad in ({"policy": "whenever"}, {"horizon_days": 0.0}, {"horizon_days": math.nan}):
        with pytest.raises(ValueError, match="policy|horizon"):
            simulate_renewals(inputs, **{"now_day": 0.0, "policy": "lead_lag", **bad})
    with pytest.raises(ValueError, match="members"):
        plan(inputs, members=8)


def test_a_carbon_for_both_kinds_of_chlorine_is_not_called_weak_in_either() -> None:
    source = water((0.0, 0.0, 2.0), (100.0, 2.0, 0.0), (130.0, 0.0, 2.0))
    assert not plan(new_train(BOTH, BOTH, source=source)).cannot_hold
