"""The plan service on renewals of known days: visits, spares, order-by days, staleness."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
import time_machine
from django.utils import timezone

from cartridges.models import Train
from cartridges.services import acts, estimates
from hobbyhydro.households.models import Household, User
from schedule.models import PlannedSwap, PlannedVisit, PlanRules, PlanSummary
from schedule.services import plan, spares
from schedule.services.agenda import agenda, thing_of, title_of
from tests.trains import build_train

from .planned import NEW_YORK, FakeModel, estimated, fake, fitted, in_zone, kind_in, local_noon

NEVER_TOGETHER = Decimal(0)
TWO_CARBONS = (
    ("sediment", "sediment-5-slim"),
    ("catalytic_carbon", "catalytic-slim"),
    ("catalytic_carbon", "catalytic-slim"),
)


@pytest.fixture
def model(train: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    """Two carbon blocks and a sediment cartridge ahead, each on a day of its own."""
    model = fake(train, monkeypatch)
    model.asked["lead_lag"] = [
        (20.0, 2, {"replaced": fitted(train, 2)}),
        (50.0, 1, {"replaced": fitted(train, 1)}),
        (90.0, 2),
    ]
    model.asked["same_day"] = [(40.0, 2), (40.0, 3)]
    estimated(train)
    return model


@pytest.fixture
def rules(household: Household) -> PlanRules:
    """A week for the parcel, three days to spare, every swap on its own day."""
    return PlanRules.objects.create(
        household=household, lead_days=7, margin_days=3, visit_cost=NEVER_TOGETHER
    )


def swaps(train: Train) -> list[PlannedSwap]:
    return list(PlannedSwap.objects.filter(visit__train=train).order_by("visit__on", "pk"))


def ahead(swap: PlannedSwap) -> int:
    return (swap.visit.on - timezone.localdate()).days


def test_writes_a_visit_for_each_renewal(train: Train, model: FakeModel, rules: PlanRules) -> None:
    summary = plan.ensure(train)
    rows = swaps(train)
    assert [(ahead(s), s.stage.position) for s in rows] == [(20, 2), (50, 1), (90, 2)]
    assert [str(s.replaces_id or "") for s in rows] == [fitted(train, 2), fitted(train, 1), ""]
    assert [s.cause for s in rows] == ["outlet_limit", "calendar", "outlet_limit"]
    assert [s.number for s in rows] == [2, 2, 3], "each stage has had one cartridge so far"
    assert summary.details["problem"] == ""
    assert (summary.horizon_on - timezone.localdate()).days == 730


def test_orders_lead_and_margin_before_the_visit(
    train: Train, model: FakeModel, rules: PlanRules
) -> None:
    plan.ensure(train)
    assert {(s.visit.on - s.order_by).days for s in swaps(train) if s.order_by} == {10}


@pytest.mark.parametrize(
    ("needed", "lead", "margin", "ordered"),
    [
        ("2026-03-05", 7, 0, "2026-02-26"),  # over the end of February
        ("2028-03-05", 7, 0, "2028-02-27"),  # and of a leap year's
        ("2026-03-10", 3, 0, "2026-03-07"),  # over the clocks going forward, 8 March 2026
        ("2026-11-03", 3, 0, "2026-10-31"),  # and back, 1 November 2026
        ("2027-01-04", 7, 7, "2026-12-21"),
        ("2026-05-31", 0, 0, "2026-05-31"),
        ("2027-03-01", 365, 0, "2026-03-01"),
    ],
)
def test_order_by_counts_days_of_the_calendar(
    needed: str, lead: int, margin: int, ordered: str
) -> None:
    rules = PlanRules(lead_days=lead, margin_days=margin)
    found = spares.order_by(dt.date.fromisoformat(needed), rules=rules)
    assert found == dt.date.fromisoformat(ordered)


@pytest.mark.parametrize(
    ("today", "days", "day"),
    [
        (dt.date(2026, 3, 7), 1.0, dt.date(2026, 3, 8)),  # the clocks go forward that night
        (dt.date(2026, 10, 31), 2.0, dt.date(2026, 11, 2)),  # and back on 1 November
        (dt.date(2028, 2, 28), 1.0, dt.date(2028, 2, 29)),
    ],
)
def test_a_visit_falls_on_the_households_own_day(
    household: Household, owner: User, monkeypatch: pytest.MonkeyPatch,
    today: dt.date, days: float, day: dt.date,
) -> None:  # fmt: skip
    in_zone(household, "America/New_York")
    with time_machine.travel(local_noon(today, NEW_YORK), tick=False):
        train = build_train(household, owner)
        model = fake(train, monkeypatch)
        model.asked["lead_lag"] = [(days, 2)]
        estimated(train)
        plan.ensure(train)
        assert [s.visit.on for s in swaps(train)] == [day]


def test_late_in_the_evening_it_is_still_the_households_day(
    household: Household, owner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 22:00 in New York it is the next day already in UTC."""
    in_zone(household, "America/New_York")
    now = local_noon(dt.date(2026, 6, 1), NEW_YORK) + dt.timedelta(hours=10)
    with time_machine.travel(now, tick=False):
        train = build_train(household, owner)
        fake(train, monkeypatch).asked["lead_lag"] = [(0.0, 2)]
        estimated(train)
        plan.ensure(train)
        assert [s.visit.on for s in swaps(train)] == [dt.date(2026, 6, 1)]


def test_uses_each_spare_once_the_oldest_first(
    train: Train, model: FakeModel, rules: PlanRules, household: Household
) -> None:
    old, young = acts.buy(household=household, spec=kind_in(train, 2), count=2)
    plan.ensure(train)
    first, sediment, second = swaps(train)
    assert (first.spare, second.spare) == (old, young)
    assert first.from_shelf and first.order_by is None
    assert not sediment.from_shelf and sediment.order_by is not None


def test_spares_go_to_whichever_train_comes_first(
    train: Train, model: FakeModel, rules: PlanRules, household: Household, owner: User
) -> None:
    [spare] = acts.buy(household=household, spec=kind_in(train, 2))
    plan.ensure(train)
    assert swaps(train)[0].spare == spare
    other = build_train(household, owner, name="Attic")
    model.train = other
    model.asked["lead_lag"] = [(5.0, 2)]
    estimated(other)
    plan.ensure(other)
    assert swaps(other)[0].spare == spare
    assert swaps(train)[0].spare is None
    assert swaps(train)[0].order_by is not None


def test_a_spare_that_was_thrown_away_is_not_used(
    train: Train, model: FakeModel, rules: PlanRules, household: Household
) -> None:
    [spare] = acts.buy(household=household, spec=kind_in(train, 2))
    plan.ensure(train)
    acts.discard(spare)
    plan.ensure(train)
    assert swaps(train)[0].spare is None


def test_brings_visits_together_where_that_wastes_less_than_it_saves(
    train: Train, model: FakeModel, rules: PlanRules, household: Household
) -> None:
    """The sediment cartridge costs 10 and lasts 100 days: 6 days early waste 0.60."""
    model.asked["lead_lag"] = [(20.0, 2), (26.0, 1)]
    PlanRules.objects.update(
        visit_cost=Decimal("0.61"), expected_prices={str(kind_in(train, 1).pk): "10"}
    )
    plan.ensure(train)
    visit = PlannedVisit.objects.filter(train=train).earliest("on")
    assert (visit.brought_together, visit.wasted, visit.saved) == (
        True, Decimal("0.60"), Decimal("0.61"),
    )  # fmt: skip
    assert [(s.due_on - visit.on).days for s in visit.swaps.all()] == [6, 0]
    PlanRules.objects.update(visit_cost=Decimal("0.59"))
    plan.ensure(train)
    assert PlannedVisit.objects.filter(train=train).count() == 2


def test_what_is_brought_forward_again_and_again_is_not_left_out_at_the_end(
    train: Train, model: FakeModel, rules: PlanRules
) -> None:
    """A sediment cartridge for 200 days, each time brought forward to a carbon: the fourth, which
    lay behind the end of the plan, falls within it."""
    lives = {"life_days": 200.0}
    model.asked["lead_lag"] = [(100.0 + 200.0 * k, 2, lives) for k in range(4)]
    model.asked["lead_lag"] += [(190.0 + 200.0 * k, 1, lives) for k in range(3)]
    PlanRules.objects.update(
        visit_cost=Decimal(5), expected_prices={str(kind_in(train, 1).pk): "1"}
    )
    summary = plan.ensure(train)
    found = [(ahead(s), s.stage.position) for s in swaps(train)]
    assert found == [(day, stage) for day in (100, 300, 500, 700) for stage in (1, 2)]
    assert summary.details["policies"]["lead_lag"]["cartridges"] == 8
    PlanRules.objects.update(visit_cost=0)
    plan.ensure(train)
    assert [ahead(s) for s in swaps(train) if s.stage.position == 1] == [190, 390, 590]


def test_never_brings_forward_what_has_no_price(
    train: Train, model: FakeModel, rules: PlanRules
) -> None:
    model.asked["lead_lag"] = [(20.0, 2), (21.0, 1)]
    PlanRules.objects.update(visit_cost=Decimal(1000))
    plan.ensure(train)
    assert PlannedVisit.objects.filter(train=train).count() == 2


def test_what_is_overdue_keeps_the_day_it_was_due(
    train: Train, model: FakeModel, rules: PlanRules
) -> None:
    start = timezone.now()
    plan.ensure(train)
    due_on = swaps(train)[0].visit.on
    with time_machine.travel(start + dt.timedelta(days=23), tick=False):
        model.asked["lead_lag"] = [(0.0, 2, {"replaced": fitted(train, 2)})]
        estimated(train, fingerprint="later")
        plan.ensure(train)
        [swap] = swaps(train)
        assert (swap.due_on, swap.visit.on) == (due_on, due_on)
        [item] = [
            i for i in agenda(train.household, today=timezone.localdate()) if i.kind == "swap"
        ]
        assert (timezone.localdate() - item.due_on).days == 3
        model.asked["lead_lag"] = [(4.0, 2, {"replaced": fitted(train, 2)})]
        estimated(train, fingerprint="and a test that found nothing")
        plan.ensure(train)
        assert ahead(swaps(train)[0]) == 4, "no longer due, so no longer overdue"


def test_names_outlast_a_new_plan(train: Train, model: FakeModel, rules: PlanRules) -> None:
    def names() -> list[str]:
        found = agenda(train.household, today=timezone.localdate())
        return [i.thing for i in found if i.kind == "swap"]

    plan.ensure(train)
    before = names()
    model.asked["lead_lag"] = [(days + 3, *rest) for days, *rest in model.asked["lead_lag"]]
    estimated(train, fingerprint="moved")
    plan.ensure(train)
    assert names() == before
    assert len(set(before)) == 3


def test_a_name_outlasts_the_rotation_before_it(
    household: Household, owner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What sits in the second carbon now is taken out of the first place, after it moved there."""
    train = build_train(household, owner, kinds=TWO_CARBONS)
    model = fake(train, monkeypatch)
    turn = {"rotation": True, "group": 2}
    model.asked["lead_lag"] = [
        (5.0, 2, {**turn, "replaced": fitted(train, 2)}),
        (50.0, 2, {**turn, "replaced": fitted(train, 3)}),
    ]
    estimated(train)
    plan.ensure(train)
    second = thing_of(swaps(train)[1])
    assert second == f"swap:stage-{swaps(train)[1].stage_id}:cartridge-{fitted(train, 3)}"
    assert "and move the next forward" in title_of(swaps(train)[0])
    [new] = acts.buy(household=household, spec=kind_in(train, 2))
    acts.rotate(train=train, at=timezone.now(), by=owner, new_cartridge=new)
    model.asked["lead_lag"] = [(45.0, 2, {**turn, "replaced": fitted(train, 2)})]
    estimated(train, fingerprint="after the rotation")
    plan.ensure(train)
    assert thing_of(swaps(train)[0]) == second


def test_is_fresh_until_something_changes(
    train: Train, model: FakeModel, rules: PlanRules, household: Household
) -> None:
    first = plan.ensure(train)
    assert plan.ensure(train).computed_at == first.computed_at
    acts.buy(household=household, spec=kind_in(train, 1), price=Decimal("9.50"))
    bought = plan.ensure(train)
    assert bought.computed_at > first.computed_at
    PlanRules.objects.update(lead_days=30)
    assert plan.ensure(train).computed_at > bought.computed_at
    assert model.runs == 2, "prices, spares and rules cost no run of the model"
    estimated(train, fingerprint="second")
    plan.ensure(train)
    assert model.runs == 4


def test_a_calculation_leaves_the_plan_behind(
    train: Train, model: FakeModel, rules: PlanRules, settings: object
) -> None:
    plan.ensure(train)
    assert plan.is_quick(train)
    estimates.refresh(train)
    assert PlanSummary.objects.get(train=train).fingerprint == ""
    assert not plan.is_quick(Train.objects.get(pk=train.pk))


def test_the_other_policy_is_planned_without_the_model(
    train: Train, model: FakeModel, rules: PlanRules
) -> None:
    plan.ensure(train)
    plan.set_policy(train, "same_day")
    plan.ensure(train)
    assert [(ahead(s), s.stage.position) for s in swaps(train)] == [(40, 2), (40, 3)]
    assert PlannedVisit.objects.filter(train=train).count() == 1
    assert model.runs == 2


def test_compares_the_policies(train: Train, model: FakeModel, rules: PlanRules) -> None:
    """73,000 L and no flushing at 2 and 1 a cubic metre; 730 days are 1.99863 years."""
    for stage in (1, 2, 3):
        spec = kind_in(train, stage)
        type(spec).objects.filter(pk=spec.pk).update(flush_volume_l=0.0)
    PlanRules.objects.update(
        water_price_m3=Decimal(2),
        drain_price_m3=Decimal(1),
        expected_prices={str(kind_in(train, k).pk): str(10 * k) for k in (1, 2, 3)},
    )
    bills = plan.ensure(train).details["policies"]
    a_year = 365.25 / 730
    assert float(bills["lead_lag"]["cartridges_cost"]) == pytest.approx(50 * a_year, abs=0.00501)
    assert float(bills["same_day"]["cartridges_cost"]) == pytest.approx(50 * a_year, abs=0.00501)
    assert bills["lead_lag"]["visits"] == 3 and bills["same_day"]["visits"] == 1
    assert float(bills["lead_lag"]["water_cost"]) == pytest.approx(146 * a_year, abs=0.00501)
    assert float(bills["lead_lag"]["drain_cost"]) == pytest.approx(73 * a_year, abs=0.00501)
    assert float(bills["lead_lag"]["total_cost"]) == pytest.approx(269 * a_year, abs=0.0151)


def test_says_what_is_missing_instead_of_a_plan(train: Train, rules: PlanRules) -> None:
    train.restrictors.all().delete()
    train.meter_readings.all().delete()
    train.meters.all().delete()
    estimates.refresh(train)
    summary = plan.ensure(train)
    assert "flow is not known" in summary.details["problem"]
    assert not swaps(train)
    assert plan.is_quick(train), "so that the page does not ask again and again"


def test_ensure_all_costs_no_more_queries_for_more_trains(
    train: Train, model: FakeModel, rules: PlanRules, household: Household, owner: User,
    django_assert_num_queries: object,
) -> None:  # fmt: skip
    others = [build_train(household, owner, name=f"Train {k}") for k in range(2)]
    for other in others:
        model.train = estimated(other)
        plan.ensure(other)
    plan.ensure(train)
    assert len(plan.ensure_all(household)) == 3
    with django_assert_num_queries(4):  # type: ignore[operator]
        plan.ensure_all(household)
