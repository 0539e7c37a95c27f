"""Laws that hold for every plan, tried on many made-up trains."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from cartridges.physics.bed import advance, days_to_outlet, outlet_ratio
from cartridges.physics.plan import POLICIES, Policy, Renewals, simulate_policies, simulate_renewals
from cartridges.physics.today import train_today
from cartridges.physics.train import Medium, TrainInputs

from .plans import new_train, plan, uncertain, water, weak_carbon
from .scenarios import BOTH, CARBON, SEDIMENT

LIMIT_MG_L = 0.1
flows = st.floats(60.0, 900.0)
levels = st.floats(0.4, 4.0)
capacities = st.floats(20_000.0, 300_000.0)
policies = st.sampled_from(POLICIES)


def carbon(capacity_mg: float, *, exponent: float = 0.0) -> Medium:
    return replace(CARBON, capacity_mg=capacity_mg, flow_exponent=exponent)


def whole(found: Renewals, horizon_days: float = 730.0) -> bool:
    """Whether the plan holds the limit throughout and was not cut off."""
    return not found.cannot_hold and found.until_day == horizon_days


@settings(max_examples=60, deadline=None)
@given(flows, st.floats(1.0, 3.0), levels, capacities, policies, st.sampled_from([1, 2, 3]))
def test_more_flow_never_takes_fewer_cartridges(
    flow: float, factor: float, level: float, capacity: float, policy: Policy, beds: int
) -> None:
    """As long as the first bed alone can hold the limit; where it cannot, the rule is another."""
    media = [carbon(capacity)] * beds
    source = water((0.0, level, 0.0))
    alone = plan(new_train(media[0], flow_l_day=factor * flow, source=source))
    assume(whole(alone))
    slow = plan(new_train(*media, flow_l_day=flow, source=source), policy)
    fast = plan(new_train(*media, flow_l_day=factor * flow, source=source), policy)
    assume(whole(fast))
    assert len(fast.renewals) >= len(slow.renewals)


@settings(max_examples=40, deadline=None)
@given(flows, levels, st.floats(1.0, 2.0), capacities, policies)
def test_more_chlorine_never_takes_fewer_cartridges(
    flow: float, level: float, factor: float, capacity: float, policy: Policy
) -> None:
    media = [carbon(capacity)] * 2
    more = water((0.0, level * factor, 0.0))
    assume(whole(plan(new_train(media[0], flow_l_day=flow, source=more))))
    strong = plan(new_train(*media, flow_l_day=flow, source=more), policy)
    weak = plan(new_train(*media, flow_l_day=flow, source=water((0.0, level, 0.0))), policy)
    assume(whole(strong))
    assert len(strong.renewals) >= len(weak.renewals)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(0.02, 0.6), min_size=2, max_size=2, unique=True),
    st.floats(60.0, 500.0),
    policies,
    st.sampled_from([1, 2]),
)
def test_a_more_careful_household_never_plans_fewer_cartridges(
    shares: list[float], flow: float, policy: Policy, beds: int
) -> None:
    careful, bold = sorted(shares)
    inputs = uncertain(new_train(*[CARBON] * beds, flow_l_day=flow))
    plans = [
        plan(replace(inputs, plan_share=share), policy, members=64) for share in (careful, bold)
    ]
    assume(all(whole(one) for one in plans))
    assert len(plans[0].renewals) >= len(plans[1].renewals)
    # Not only in number: the k-th renewal never comes later.
    for early, late in zip(plans[0].renewals, plans[1].renewals, strict=False):
        assert early.day <= late.day + 1e-6


@settings(max_examples=40, deadline=None)
@given(flows, levels, capacities)
def test_same_day_takes_no_more_cartridges_where_the_first_bed_alone_can_hold_the_limit(
    flow: float, level: float, capacity: float
) -> None:
    """Lead-lag watches the water between the beds, same-day the water behind them.

    At the swap b S = ln(1/p) in all, with p = limit/tap: lead-lag leaves it in the one bed that
    goes out, same-day in the two. So of each capacity lead-lag uses 1 - ln(1/p)/b and same-day
    1 - ln(1/p)/(2 b), which is more: what lead-lag buys with its extra cartridges is a second bed
    that still holds when the first gives out.
    """
    pair = new_train(*[carbon(capacity)] * 2, flow_l_day=flow, source=water((0.0, level, 0.0)))
    alone = plan(new_train(carbon(capacity), flow_l_day=flow, source=water((0.0, level, 0.0))))
    assume(whole(alone))
    rotating = plan(pair, "lead_lag", horizon_days=3650.0)
    together = plan(pair, "same_day", horizon_days=3650.0)
    assume(whole(rotating, 3650.0) and whole(together, 3650.0))
    assert len(together.renewals) <= len(rotating.renewals)


def test_lead_lag_is_not_always_the_thriftier_of_the_two() -> None:
    """A counterexample to what is often said: 33 cartridges in ten years against 28."""
    medium = weak_carbon(transfer_units=9.0, flow_l_day=300.0, capacity_mg=90_000.0)
    counts = [
        len(plan(new_train(medium, medium), policy, horizon_days=3650.0).renewals)
        for policy in POLICIES
    ]
    # ln(20) = 3.0 of 9 transfer units are thrown away with each one, or with each pair.
    used = np.array([1.0 - np.log(20.0) / 9.0, 1.0 - np.log(20.0) / 18.0])
    np.testing.assert_allclose(counts, 3650.0 * 600.0 / 90_000.0 / used, rtol=0.08)
    assert counts[0] > counts[1]


@settings(max_examples=20, deadline=None)
@given(st.floats(1.6, 2.9), flows, capacities)
def test_lead_lag_takes_no_more_cartridges_where_both_rules_watch_the_last_outlet(
    transfer_units: float, flow: float, capacity: float
) -> None:
    """Beds too weak alone: both are due when b S = ln(1/p) in all, and lead-lag throws away the
    emptier one only."""
    weak = weak_carbon(transfer_units=transfer_units, flow_l_day=flow, capacity_mg=capacity)
    pair = new_train(weak, weak, flow_l_day=flow)
    rotating = plan(pair, "lead_lag", horizon_days=1500.0)
    together = plan(pair, "same_day", horizon_days=1500.0)
    assume(whole(rotating, 1500.0) and whole(together, 1500.0))
    assert len(rotating.renewals) <= len(together.renewals)


@settings(max_examples=20, deadline=None)
@given(
    flows,
    st.lists(
        st.tuples(st.floats(0.0, 290.0), st.floats(0.0, 3.0), st.floats(0.0, 3.0)),
        min_size=1,
        max_size=3,
        unique_by=lambda period: round(period[0]),
    ),
    st.lists(
        st.sampled_from(
            [
                SEDIMENT,
                CARBON,
                BOTH,
                replace(BOTH, key="dated", calendar_days=150.0),
                replace(CARBON, key="grains", kind="granular_carbon"),
                weak_carbon(transfer_units=2.0, flow_l_day=300.0, capacity_mg=40_000.0),
            ]
        ),
        min_size=1,
        max_size=4,
    ),
    policies,
    st.floats(0.02, 0.6),
)
def test_any_train_has_a_plan_in_order(
    flow: float,
    periods: list[tuple[float, float, float]],
    media: list[Medium],
    policy: Policy,
    share: float,
) -> None:
    first = min(start for start, _, _ in periods)
    source = water(*sorted((start - first, free, combined) for start, free, combined in periods))
    inputs: TrainInputs = replace(
        uncertain(new_train(*media, flow_l_day=flow, source=source)),
        turbidity_ntu=0.4,
        plan_share=share,
    )
    found = plan(inputs, policy, members=16, horizon_days=300.0)
    moments = [(one.day, one.stage) for one in found.renewals]
    assert moments == sorted(moments)
    assert len(set(moments)) == len(moments)
    assert len(found.renewals) <= 60
    for one in found.renewals:
        assert 0.0 <= one.day < found.until_day <= 300.0
        assert 1 <= one.group <= one.stage <= len(media)
        assert one.worn is None or 0.0 <= one.worn <= 1.0
        assert one.life_days >= 0.0
        assert not (one.rotation and policy == "same_day")
        assert one.medium_key in {medium.key for medium in media}
    # What goes out is what came in first there: every cartridge of today goes out once at most.
    gone = [one.replaced for one in found.renewals if one.replaced]
    assert len(set(gone)) == len(gone)
    for start, end in found.unheld:
        assert 0.0 <= start < end <= 300.0


def test_the_same_train_has_the_same_plan_each_time() -> None:
    source = water((0.0, 0.2, 1.8), (60.0, 2.0, 0.0), (90.0, 0.2, 1.8))
    inputs = replace(uncertain(new_train(SEDIMENT, BOTH, BOTH, source=source)), turbidity_ntu=0.4)
    for policy in POLICIES:
        first, second = (plan(inputs, policy, members=64, horizon_days=200.0) for _ in range(2))
        assert first == second
        both = simulate_policies(inputs, now_day=0.0, members=64, horizon_days=200.0)
        assert both[policy] == first
        assert len(first.renewals) >= 2


@pytest.mark.parametrize("share", [0.05, 0.10, 0.25])
def test_on_each_planning_day_the_planned_share_of_members_has_passed_the_limit(
    share: float,
) -> None:
    """Every member stepped on its own through the plan's days, bed by bed, lead and lag."""
    members = 512
    medium = replace(CARBON, flow_exponent=0.0)
    inputs = replace(uncertain(new_train(medium, medium), flow=0.0), plan_share=share)
    found = plan(inputs, members=members, horizon_days=1000.0).renewals
    assert len(found) >= 5
    today = train_today(inputs, now_day=0.0, horizon_days=1000.0, members=members, seed=20)
    bed = today.uncertain.beds["c1"]
    units = bed.rate_free_l_mg_day * bed.capacity_mg / 300.0
    tap = 2.0 * today.uncertain.tap_factor(0.15)
    lead, lag, day = np.ones(members), np.ones(members), 0.0
    for one in found:
        dose = tap * (one.day - day)
        rates = {"transfer_units": units, "rate_l_mg_day": bed.rate_free_l_mg_day}
        first = advance(lead, dose_mg_day_l=dose, **rates)
        second = advance(lag, dose_mg_day_l=first.dose_out_mg_day_l, **rates)
        over = tap * outlet_ratio(first.remaining, transfer_units=units) > LIMIT_MG_L
        assert over.mean() == pytest.approx(share, abs=1.5 / members)
        assert one.worn == pytest.approx(np.median(first.remaining), abs=1e-3)
        lead, lag, day = second.remaining, np.ones(members), one.day


@pytest.mark.parametrize(("transfer_units", "held"), [(4.0, True), (3.2, True), (2.0, False)])
def test_members_that_cannot_hold_the_limit_even_new_ask_for_nothing(
    transfer_units: float, held: bool
) -> None:
    """ln 20 = 3.0 transfer units hold 0.1 of 2 mg/L; many members have fewer.

    The interval by the closed form of each member: those that a new cartridge does not keep for a
    week are left out, the planned share is still of all. Where they are most of all, the volume on
    the package plans instead.
    """
    members = 1024
    medium = weak_carbon(transfer_units=transfer_units, flow_l_day=300.0, capacity_mg=200_000.0)
    inputs = uncertain(new_train(medium), flow=0.0, tap=0.0)
    found = plan(inputs, members=members)
    today = train_today(inputs, now_day=0.0, horizon_days=730.0, members=members, seed=20)
    bed = today.uncertain.beds["c1"]
    lives = days_to_outlet(
        1.0,
        limit_mg_l=LIMIT_MG_L,
        inlet_mg_l=2.0,
        transfer_units=bed.rate_free_l_mg_day * bed.capacity_mg / 300.0,
        rate_l_mg_day=bed.rate_free_l_mg_day,
    )
    lasting = np.sort(lives[lives >= 7.0])
    assert (len(lasting) > members / 2) == held
    assert found.cannot_hold != held
    if held:
        assert len(lasting) < 0.85 * members
        gaps = np.diff([0.0, *(one.day for one in found.renewals)])
        np.testing.assert_allclose(gaps, lasting[round(members * 0.10)], rtol=0.02)
    else:
        assert {one.cause for one in found.renewals} == {"label_volume"}


def test_members_decide_how_fine_the_days_are_and_hardly_what_they_are() -> None:
    inputs = uncertain(new_train(CARBON, CARBON))
    few, many = (
        simulate_renewals(inputs, now_day=0.0, policy="lead_lag", members=count)
        for count in (1024, 16_384)
    )
    assert len(few.renewals) == len(many.renewals)
    np.testing.assert_allclose(
        [one.day for one in few.renewals], [one.day for one in many.renewals], rtol=0.03
    )


def test_capacity_is_shared_by_the_cartridges_of_a_kind() -> None:
    """A member of small capacity stays one after a swap: the spread of the lives is not lost."""
    inputs = replace(uncertain(new_train(CARBON)), plan_share=0.10)
    found = plan(inputs, members=1024).renewals
    gaps = np.diff([0.0, *(one.day for one in found)])
    np.testing.assert_allclose(gaps, gaps[0], rtol=1e-9)
    middle = plan(replace(inputs, plan_share=0.5), members=1024).renewals
    assert gaps[0] < 0.8 * middle[0].day
