"""The estimate of a whole train: causes, what it rests on, what tests do to it, bad input."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from cartridges.physics.label import LabelError, bed_from_claim
from cartridges.physics.segments import Segments
from cartridges.physics.train import (
    HORIZON_DAYS,
    Medium,
    OutletReading,
    Placing,
    PressurePair,
    StageEstimate,
    TrainInputs,
    estimate_train,
)
from cartridges.physics.units import L_PER_US_GAL, MIN_PER_DAY

from .plans import weak_carbon, worn_train
from .scenarios import (
    BOTH,
    CARBON,
    CHLORAMINE_CLAIM,
    DRIP_L_DAY,
    FREE_CLAIM,
    SEDIMENT,
    certain,
    segments,
    source,
    two_carbons,
)


def only(inputs: TrainInputs, *, now_day: float = 60.0, stage: int = 1) -> StageEstimate:
    """One stage's estimate with few members, for trains with nothing uncertain."""
    stages = estimate_train(inputs, now_day=now_day, members=16).stages
    return next(one for one in stages if one.stage == stage)


def fresh(flow_us_gal_day: float, **changes: object) -> TrainInputs:
    """A new two-carbon train at a flow, nothing uncertain."""
    base = certain(two_carbons(past_days=1, flow_l_day=flow_us_gal_day * L_PER_US_GAL))
    base = replace(base, segments=Segments([], [], [], [], []))
    return replace(base, **changes)


@pytest.mark.parametrize(
    ("flow_us_gal_day", "days"),
    [(40, 244.348), (80, 118.252), (160, 55.205), (320, 23.681), (640, 7.912)],
)
def test_check_values_of_the_worked_label(flow_us_gal_day: float, days: float) -> None:
    """Regression: days of a fresh bed to 0.1 mg/L from 2 mg/L, from our own prototype."""
    found = only(fresh(flow_us_gal_day), now_day=0.0)
    assert found.days.p50 == pytest.approx(days, abs=6e-4)
    assert found.safe_days == found.days.p10 == found.days.p90 == found.days.p50
    assert found.capacity_mg == pytest.approx(76_371.6, abs=0.06)


def test_at_the_rated_flow_a_sixth_of_the_label_is_safe() -> None:
    """Regression: 1,530 of 10,000 US gal at 0.75 gpm; nearly all of it at 50 US gal/day."""
    fast = only(fresh(1080.0), now_day=0.0)
    assert fast.safe_days is not None and fast.label_days is not None
    assert 1080.0 * fast.safe_days == pytest.approx(1530, abs=5)
    slow = only(fresh(50.0), now_day=0.0)
    assert slow.safe_days is not None and slow.label_days is not None
    assert 0.95 < slow.safe_days / slow.label_days < 1.0
    assert slow.label_days == pytest.approx(200.0)


def test_water_in_bursts_wears_the_train_far_sooner_than_a_drip() -> None:
    """Regression: 80 US gal/day at 0.75 gpm lasts 19 days where a drip lasts 118."""
    bursts = only(fresh(80.0, on_flow_l_day=0.75 * L_PER_US_GAL * MIN_PER_DAY), now_day=0.0)
    assert bursts.days.p50 == pytest.approx(19, abs=0.5)
    assert bursts.contact_min == pytest.approx(0.6 / (0.75 * L_PER_US_GAL))
    # The same litres as a drip at a flow that is always open is the drip.
    always = only(fresh(80.0, on_flow_l_day=80.0 * L_PER_US_GAL), now_day=0.0)
    assert always.days.p50 == pytest.approx(118.252, abs=1e-3)


def test_the_textbook_service_time_for_a_drip() -> None:
    """BDST (Thomas & Crittenden 1998, eqs 6.55-6.59), through the whole estimate."""
    bed = bed_from_claim(claim=FREE_CLAIM)
    by_hand = bed.capacity_mg / (DRIP_L_DAY * 2.0) - math.log(2.0 / 0.1 - 1.0) / (
        bed.rate_l_mg_day * 2.0
    )
    assert only(fresh(50.0), now_day=0.0).days.p50 == pytest.approx(by_hand, rel=1e-6)


def test_a_stage_passes_later_than_the_one_before_it_and_the_train_with_the_last() -> None:
    first, second = estimate_train(two_carbons(), now_day=60.0).stages
    assert first.days.p50 < second.days.p50
    assert first.days.p10 < first.days.p50 < first.days.p90
    assert first.days_to_train_limit == second.days_by_cause["outlet_limit"]
    assert second.outlet_total_mg_l.p50 < first.outlet_total_mg_l.p50 < 2.0
    assert first.remaining and second.remaining
    assert first.remaining.p50 < second.remaining.p50
    assert first.volume_l == pytest.approx(60 * DRIP_L_DAY)
    assert first.contact_min == pytest.approx(0.6 / DRIP_L_DAY * 1440.0)
    assert first.cause == "outlet_limit" and first.cause_shares == {"outlet_limit": 1.0}


def test_rotation_carries_the_wear_along() -> None:
    moves = (Placing(50.0, 1, "second"), Placing(50.0, 2, "third", CARBON))
    rotated = two_carbons()
    rotated = certain(replace(rotated, placings=(*rotated.placings, *moves)))
    lead, polish = estimate_train(rotated, now_day=60.0, members=16).stages
    assert (lead.cartridge, polish.cartridge) == ("second", "third")
    assert lead.volume_l == pytest.approx(60 * DRIP_L_DAY)
    assert polish.volume_l == pytest.approx(10 * DRIP_L_DAY)
    # The one that polished has seen next to nothing: as good as new, ten days ago.
    new = replace(rotated, placings=(Placing(50.0, 1, "x", CARBON), Placing(50.0, 2, "y", CARBON)))
    assert lead.days.p50 == pytest.approx(only(certain(new)).days.p50, rel=1e-3)


def test_every_cause_is_told_and_the_first_decides() -> None:
    train = replace(
        two_carbons(),
        stage_count=3,
        turbidity_ntu=0.5,
        placings=(
            Placing(0.0, 1, "s", SEDIMENT),
            Placing(0.0, 2, "a", replace(CARBON, calendar_days=300.0)),
            Placing(0.0, 3, "b", CARBON),
        ),
    )
    sediment, carbon, _ = estimate_train(train, now_day=60.0).stages
    assert set(sediment.days_by_cause) == {"calendar", "dirt"}
    assert sediment.days_by_cause["calendar"].p50 == 120.0
    assert sediment.rests_on == ("turbidity_factor", "resistance_unknown")
    assert sediment.days.p90 <= 120.0 and sediment.remaining is not None
    assert set(carbon.days_by_cause) == {"outlet_limit", "label_volume", "calendar"}
    assert sum(carbon.cause_shares.values()) == pytest.approx(1.0)
    assert set(carbon.cause_shares) == {"outlet_limit", "calendar"}
    assert carbon.days.p90 <= 240.0
    # The label is information: it decides nothing where the outlet is modelled.
    assert carbon.days_by_cause["label_volume"].p50 == pytest.approx(140.0, abs=0.5)


def test_pressure_pairs_that_tell_bring_in_the_resistance() -> None:
    pairs = tuple(
        PressurePair(day, 1, drop, flow_l_day=4000.0)
        for day, drop in ((5.0, 6.0), (25.0, 20.0), (45.0, 33.0), (55.0, 40.0))
    )
    train = TrainInputs(
        stage_count=1,
        placings=(Placing(0.0, 1, "s", SEDIMENT),),
        segments=segments(np.full(60, 2000.0)),
        future_flow_l_day=4000.0,
        future_flow_rel_sd=0.0,
        source_past=source(1.0, each_days=60.0),
        source_future=source(1.0, start_day=60.0, each_days=4000.0),
        pressure_pairs=pairs,
        resistance_limit_kpa=69.0,
    )
    stage = only(train)
    # 0.68 kPa a day at 2,000 L/day, read at 4,000 L/day: 69 kPa after some 43 days more of 2,000.
    assert stage.days_by_cause["resistance"].p50 == pytest.approx(21.0, abs=4.0)
    assert "resistance_unknown" not in stage.rests_on
    silent = only(replace(train, pressure_pairs=pairs[:1]))
    assert "resistance" not in silent.days_by_cause and "resistance_unknown" in silent.rests_on


def test_a_stage_without_an_outlet_model_goes_by_its_label_or_says_that_it_cannot() -> None:
    unknown = Medium("mystery", "other")
    train = replace(two_carbons(), placings=(Placing(0.0, 1, "m", unknown),))
    stage = estimate_train(train, now_day=60.0).stages[0]
    assert stage.rests_on == ("no_outlet_model",) and stage.cause == "none"
    assert stage.days.p10 == math.inf and stage.cause_shares == {"none": 1.0}
    assert stage.remaining is None and stage.safe_days is None and stage.transfer_units is None
    assert stage.outlet_total_mg_l.p50 == pytest.approx(2.0, rel=0.01)


def test_chloramine_rests_on_contact_time_and_says_so() -> None:
    plain = two_carbons(free_mg_l=0.0, combined_mg_l=2.0, flow_l_day=40.0)
    stage = estimate_train(plain, now_day=60.0).stages[0]
    assert stage.rests_on == ("chloramine_rate_ordinary",)
    catalytic = two_carbons(
        free_mg_l=0.0,
        combined_mg_l=2.0,
        flow_l_day=40.0,
        medium=replace(CARBON, kind="catalytic_carbon"),
    )
    better = estimate_train(catalytic, now_day=60.0).stages[0]
    assert better.rests_on == ("chloramine_rate_catalytic",)
    assert better.outlet_total_mg_l.p50 < stage.outlet_total_mg_l.p50
    assert stage.outlet_free_mg_l.p90 == 0.0
    claimed = two_carbons(free_mg_l=0.0, combined_mg_l=2.0, flow_l_day=40.0, medium=BOTH)
    found = estimate_train(claimed, now_day=60.0).stages[0]
    assert found.rests_on == () and found.label_volume_l == CHLORAMINE_CLAIM.rated_volume_l


def test_ageing_shortens_life() -> None:
    old = two_carbons(medium=replace(CARBON, ageing_per_day=0.002))
    assert only(certain(old)).days.p50 < 0.9 * only(certain(two_carbons())).days.p50


def test_the_flow_exponent_matters_and_can_be_the_keepers_own() -> None:
    inputs = two_carbons()
    flat, steep = only(certain(inputs)), only(certain(inputs, exponent=0.5))
    assert steep.days.p50 < flat.days.p50
    assert steep.transfer_units and flat.transfer_units
    shrink = math.sqrt(DRIP_L_DAY / FREE_CLAIM.rated_flow_l_day)
    assert steep.transfer_units / flat.transfer_units == pytest.approx(shrink)


def reading(day: float, value: float, *, below: bool = False, stage: int = 1) -> OutletReading:
    return OutletReading(f"{day}-{stage}", day, stage, "total", value, below=below)


def test_a_late_below_lengthens_life_and_a_positive_shortens_it() -> None:
    now = 180.0
    plain = estimate_train(two_carbons(past_days=180), now_day=now).stages[0]
    below = two_carbons(past_days=180, readings=(reading(178.0, 0.1, below=True),))
    positive = two_carbons(past_days=180, readings=(reading(150.0, 0.06),))
    longer = estimate_train(below, now_day=now).stages[0]
    shorter = estimate_train(positive, now_day=now).stages[0]
    assert longer.days.p50 > 1.05 * plain.days.p50 + 1.0
    assert shorter.days.p50 < plain.days.p50


def test_a_below_early_in_life_says_next_to_nothing() -> None:
    plain = estimate_train(two_carbons(), now_day=60.0).stages[0]
    early = two_carbons(readings=(reading(5.0, 0.1, below=True),))
    assert estimate_train(early, now_day=60.0).stages[0].days.p50 == pytest.approx(
        plain.days.p50, rel=0.02
    )


def test_a_reading_far_above_the_forecast_is_not_dismissed_as_noise() -> None:
    """Forecast 0.002 mg/L, read 0.3: it is believed, and the life left falls to a fraction."""
    plain = estimate_train(two_carbons(past_days=110), now_day=110.0)
    assert plain.stages[0].outlet_total_mg_l.p50 < 0.003
    alarmed = estimate_train(
        two_carbons(past_days=110, readings=(reading(110.0, 0.3),)), now_day=110.0
    )
    assert alarmed.stages[0].days.p50 < 0.25 * plain.stages[0].days.p50
    assert alarmed.stages[0].outlet_total_mg_l.p50 > 0.1
    assert alarmed.unreconciled == ()


def test_what_cannot_be_reconciled_is_said() -> None:
    """A bed new yesterday that lets everything through: no member explains it."""
    readings = (reading(1.0, 1.9), reading(50.0, 0.1, below=True))
    found = estimate_train(two_carbons(readings=readings), now_day=60.0)
    assert found.unreconciled == ("1.0-1",)


def test_a_test_of_a_cartridge_long_gone_still_teaches() -> None:
    inputs = two_carbons(past_days=300)
    swaps = (Placing(250.0, 1, "third", CARBON), Placing(250.0, 2, "fourth", CARBON))
    placings = (*inputs.placings, *swaps)
    plain = estimate_train(replace(inputs, placings=placings), now_day=300.0).stages[0]
    leaked = (reading(120.0, 0.4), reading(130.0, 0.6))
    taught = estimate_train(
        replace(inputs, placings=placings, outlet_readings=leaked), now_day=300.0
    ).stages[0]
    assert taught.days.p50 < 0.9 * plain.days.p50
    assert taught.days.p90 - taught.days.p10 < plain.days.p90 - plain.days.p10


def test_default_members_agree_with_sixty_five_thousand() -> None:
    cases = (
        (two_carbons(), 60.0),
        (two_carbons(past_days=150, readings=(reading(148.0, 0.1, below=True),)), 150.0),
        (two_carbons(past_days=110, readings=(reading(108.0, 0.05),)), 110.0),
    )
    for inputs, now in cases:
        few = estimate_train(inputs, now_day=now)
        many = estimate_train(inputs, now_day=now, members=65_536)
        for ours, reference in zip(few.stages, many.stages, strict=True):
            for name in ("p10", "p50", "p90"):
                # Of the whole life, counted from the fitting.
                life = now + getattr(reference.days, name)
                assert now + getattr(ours.days, name) == pytest.approx(life, rel=0.03)
        assert few.replicate_spread < 0.1


def test_the_same_data_give_the_same_answer_in_any_order() -> None:
    readings = (reading(20.0, 0.1, below=True), reading(100.0, 0.05), reading(100.0, 0.1, stage=2))
    inputs = two_carbons(past_days=110, readings=readings)
    shuffled = replace(
        inputs,
        placings=inputs.placings[::-1],
        outlet_readings=(readings[2], readings[0], readings[1]),
    )
    first, second = (estimate_train(one, now_day=110.0) for one in (inputs, shuffled))
    assert [one.days for one in first.stages] == [one.days for one in second.stages]
    assert first.effective_members == second.effective_members


def test_the_curve_runs_from_the_fitting_to_past_the_tenth_worst() -> None:
    stage = estimate_train(two_carbons(past_days=100), now_day=100.0).stages[0]
    curve = stage.curve
    assert curve.day[0] == 0.0 and (np.diff(curve.day) > 0).all()
    assert curve.day[-1] == pytest.approx(100.0 + 1.1 * stage.days.p90)
    assert (curve.p10 <= curve.p50).all() and (curve.p50 <= curve.p90).all()
    assert 20 <= (curve.day < 100.0).sum() <= 60 and (curve.day >= 100.0).sum() == 60
    # The band crosses the limit where the days say so.
    crossing = np.interp(np.log(0.1), np.log(curve.p50), curve.day)
    assert crossing - 100.0 == pytest.approx(stage.days.p50, rel=0.05)


def test_a_switch_of_disinfectant_ahead_can_bring_the_day_forward() -> None:
    """Chloramine slips through where free chlorine is held: the day is the day of the switch."""
    inputs = certain(two_carbons(flow_l_day=150.0))
    future = source([2.0, 0.0], combined_mg_l=[0.0, 2.0], start_day=60.0, each_days=30.0)
    stage = only(replace(inputs, source_future=future))
    assert stage.days.p50 == 30.0


def test_clean_or_still_water_never_ends_a_carbon() -> None:
    clean = only(certain(two_carbons(free_mg_l=0.05)))
    assert clean.days.p50 == math.inf and clean.cause == "none"
    still = replace(certain(two_carbons()), future_flow_l_day=0.0)
    stage = only(still)
    assert stage.days.p50 == math.inf
    assert stage.contact_min is None and stage.label_days == math.inf


def test_what_lies_beyond_the_horizon_is_infinite() -> None:
    slow = only(certain(two_carbons(flow_l_day=2.0)))
    assert slow.days.p50 == math.inf and slow.label_days == math.inf
    assert slow.curve.day[-1] == pytest.approx(60.0 + HORIZON_DAYS)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"limit_mg_l": 0.0}, "limit"),
        ({"limit_mg_l": math.nan}, "limit"),
        ({"future_flow_l_day": -1.0}, "future flow"),
        ({"future_flow_l_day": math.nan}, "future flow"),
        ({"future_flow_rel_sd": math.inf}, "future_flow_rel_sd"),
        ({"capacity_cv": -0.1}, "capacity_cv"),
        ({"rate_cv": math.nan}, "rate_cv"),
        ({"on_flow_l_day": 0.0}, "open valve"),
        ({"turbidity_ntu": -1.0}, "turbidity"),
        ({"source_future": source([])}, "source step"),
        ({"placings": ()}, "placing"),
        ({"placings": (Placing(70.0, 1, "later", CARBON),)}, "placing"),
        ({"outlet_readings": (reading(61.0, 0.1),)}, "future"),
        ({"outlet_readings": (reading(50.0, 0.1, stage=3),)}, "stage 3"),
    ],
)
def test_input_that_cannot_be_is_refused_with_words(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        estimate_train(replace(two_carbons(), **changes), now_day=60.0)


def test_too_few_members_or_no_time_is_refused() -> None:
    with pytest.raises(ValueError, match="16 members"):
        estimate_train(two_carbons(), now_day=60.0, members=8)
    with pytest.raises(ValueError, match="now_day"):
        estimate_train(two_carbons(), now_day=math.nan)


def test_a_label_that_cannot_be_is_refused() -> None:
    bad = replace(CARBON, free_claim=replace(FREE_CLAIM, initial_reduction=0.4))
    with pytest.raises(LabelError, match="must be above") as refused:
        estimate_train(two_carbons(medium=bad), now_day=60.0)
    assert refused.value.field == "initial_reduction"


def test_a_stage_that_cannot_hold_the_limit_even_new_is_counted_at_the_last() -> None:
    # Ordinary carbon of 0.6 L on 50 US gal/day of chloramine: 4.6 min, 0.7 transfer units, so
    # half of it passes the fresh bed. The second stage claims chloramine and holds it.
    base = two_carbons(free_mg_l=0.0, combined_mg_l=2.0)
    placings = (Placing(0.0, 1, "first", CARBON), Placing(0.0, 2, "second", BOTH))
    first, last = estimate_train(replace(base, placings=placings), now_day=60.0, members=256).stages
    assert first.fresh_outlet_mg_l == pytest.approx(2.0 * math.exp(-0.15 * 4.57), rel=0.15)
    assert last.fresh_outlet_mg_l is not None and last.fresh_outlet_mg_l < 0.1
    assert first.days_by_cause["outlet_limit"] == last.days_by_cause["outlet_limit"]
    assert last.days.p50 > 0.0


def test_members_that_even_a_new_bed_does_not_help_do_not_call_for_one() -> None:
    # A little chloramine in free-chlorine water, and ordinary carbon of 3 min: new, it lets
    # 0.2 x exp(-0.15 x 3.0) = 0.13 mg/L through, give or take; the limit is close by.
    base = two_carbons(free_mg_l=1.0, combined_mg_l=0.2, flow_l_day=75 * L_PER_US_GAL)
    found = estimate_train(
        replace(
            base,
            limit_mg_l=0.1,
            placings=(Placing(60.0, 1, "a", CARBON), Placing(60.0, 2, "b", CARBON)),
        ),
        now_day=60.0,
        members=1024,
    )
    last = found.stages[-1]
    assert last.cannot_hold_share is not None
    assert 0.1 < last.cannot_hold_share < 0.5
    assert last.days.p10 == 0.0  # the limit is passed there now, and that is said
    assert last.days.planned > 30.0  # but no renewal is called for on the day of a renewal


def test_where_no_new_bed_helps_the_outlet_does_not_call_for_one() -> None:
    base = two_carbons(free_mg_l=0.0, combined_mg_l=3.0, flow_l_day=300 * L_PER_US_GAL)
    aged = replace(CARBON, calendar_days=200.0)
    last = estimate_train(
        replace(base, placings=(Placing(0.0, 1, "a", aged), Placing(0.0, 2, "b", aged))),
        now_day=60.0,
        members=256,
    ).stages[-1]
    assert last.cannot_hold_share == pytest.approx(1.0)
    assert last.days.p50 == 0.0
    assert last.days_by_cause["outlet_limit"].planned == math.inf
    assert last.days.planned == pytest.approx(140.0)


def test_two_beds_that_only_hold_together_are_due_when_they_are_worn() -> None:
    # Each lets exp(-2.5) = 8 % of 2 mg/L through when new, both together 0.7 %: 0.013 mg/L.
    weak = weak_carbon(transfer_units=2.5, flow_l_day=300.0, capacity_mg=60_000.0)
    worn = estimate_train(worn_train(weak, weak, past_days=200), now_day=200.0, members=16)
    for stage in worn.stages:
        assert stage.fresh_outlet_mg_l is not None and stage.fresh_outlet_mg_l > 0.1
        assert stage.cannot_hold_share == 0.0
        assert stage.days.planned == 0.0
