"""The plan service with the model itself, and how its days agree with the estimate's."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from cartridges.models import Estimate, Train
from hobbyhydro.households.models import Household, User
from schedule.models import PlannedSwap
from schedule.services import costs, plan, renewals
from tests.trains import build_train

from .planned import FakeModel, fitted


def swaps(train: Train) -> list[PlannedSwap]:
    return list(PlannedSwap.objects.filter(visit__train=train).order_by("visit__on", "pk"))


def test_the_first_day_is_that_of_the_estimate(train: Train) -> None:
    """A renewal within sampling error of the estimate takes its day, and its group moves along."""
    model = FakeModel(train)
    model.asked["lead_lag"] = [
        (20.0, 2, {"replaced": fitted(train, 2)}),
        (50.0, 1, {"replaced": fitted(train, 1)}),
        (90.0, 2),
    ]
    now_day = 0.0
    row = Estimate(planned_at=renewals_epoch(21.0))
    run = model(None, now_day=now_day, policy="lead_lag", horizon_days=730.0, members=64)
    found = renewals.agreed(run, {fitted(train, 2): row}, now_day=now_day)
    assert [r.day for r in found.renewals] == pytest.approx([21.0, 50.0, 91.0])
    far = Estimate(planned_at=renewals_epoch(40.0))
    found = renewals.agreed(run, {fitted(train, 2): far}, now_day=now_day)
    assert [r.day for r in found.renewals] == [20.0, 50.0, 90.0], "that is no sampling error"
    aged = Estimate(planned_at=renewals_epoch(51.0))
    found = renewals.agreed(run, {fitted(train, 1): aged}, now_day=now_day)
    assert [r.day for r in found.renewals] == [20.0, 50.0, 90.0], "age is not sampled"


def renewals_epoch(days: float) -> dt.datetime:
    """So many days after day 0 of the model's axis."""
    return dt.datetime(2000, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=days)


def test_works_with_the_model_itself(train: Train, household: Household, settings: object) -> None:
    """The first swap falls on the day that the estimate plans for it, or is brought forward."""
    settings.MODEL_MEMBERS = 256  # type: ignore[attr-defined]
    summary = plan.replan(train)
    assert summary.details["problem"] == ""
    rows = swaps(train)
    assert rows and all(s.visit.on <= s.due_on <= summary.horizon_on for s in rows)
    assert min(s.visit.on for s in rows) >= timezone.localdate()
    sediment = next(s for s in rows if s.stage.position == 1)
    planned = Estimate.objects.get(stage=sediment.stage).planned_at
    assert planned is not None
    assert sediment.due_on == timezone.localtime(planned).date()
    assert sediment.replaces_id == Estimate.objects.get(stage=sediment.stage).cartridge_id
    for policy in ("lead_lag", "same_day"):
        assert summary.details["policies"][policy]["cartridges"] > 0
    flow_l_day = train.summary["flow_l_day"]
    litres = summary.details["policies"]["lead_lag"]["litres"]
    assert litres == pytest.approx(730 * flow_l_day)
    assert costs.rules_of(household).pk is None, "planning writes no rules"


def test_a_train_that_cannot_hold_its_limit_is_planned_by_age_and_volume(
    household: Household, owner: User, settings: object
) -> None:
    """One small granular carbon on a torrent of chloramine: no swap can hold 0.1 mg/L there."""
    settings.MODEL_MEMBERS = 64  # type: ignore[attr-defined]
    kinds = (("granular_carbon", "granular-slim"),)
    train = build_train(household, owner, kinds=kinds, flow_gal_day=800.0)
    summary = plan.ensure(train)
    assert summary.details["problem"] == ""
    assert summary.details["unheld"], "the page says that no swap can mend it"
    assert {s.cause for s in swaps(train)} <= {"label_volume", "calendar"}
