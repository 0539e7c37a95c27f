"""Keeps the plan of each train true to its estimates, the household's rules, prices and spares.

The renewals come from the model (`physics.plan`); they are simulated once for each calculation of
the train and kept, so that another price, rule or spare costs arithmetic alone.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import zoneinfo
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Count
from django.utils import timezone

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Train
from cartridges.physics.plan import Visit, merge_visits
from cartridges.services import estimates
from cartridges.services.timeline import day_of, moment_of
from hobbyhydro.households.models import Household
from schedule.models import PlannedSwap, PlannedVisit, PlanRules, PlanSummary

from . import spares
from .costs import Bill, Prices, bill, prices, rules_of
from .renewals import PLAN_DAYS, renewals_of, repeated, simulate


@dataclass(frozen=True)
class Ground:
    """What the plans of one household rest on beside the estimates of its trains."""

    household: Household
    rules: PlanRules
    prices: Prices
    shelf: list[Cartridge]

    def fingerprint(self, train: Train) -> str:
        """A digest of everything that the train's plan rests on."""
        rules = self.rules
        told = [
            train.fingerprint,
            train.policy,
            self.household.time_zone,
            [rules.lead_days, rules.margin_days, str(rules.visit_cost)],
            [str(rules.water_price_m3), str(rules.drain_price_m3)],
            sorted((spec, str(price)) for spec, price in self.prices.paid.items()),
            sorted((spec, str(price)) for spec, price in self.prices.expected.items()),
            [(c.pk, c.spec_id) for c in self.shelf],
        ]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def ground_of(household: Household) -> Ground:
    """Three queries."""
    rules = rules_of(household)
    return Ground(household, rules, prices(household, rules), spares.on_the_shelf(household))


def ensure(train: Train, *, now: dt.datetime | None = None, just_read: bool = False) -> PlanSummary:
    """The plan of this train, made anew only where it is behind what is written down.

    The train is read again first, unless the caller has ``just_read`` it, with its plan.
    """
    if not just_read:
        train.refresh_from_db()
    return _ensured(train, ground_of(train.household), now or timezone.now())


def ensure_all(household: Household, *, now: dt.datetime | None = None) -> list[PlanSummary]:
    """The plan of every train of the household, each made anew only where it is behind."""
    moment, ground = now or timezone.now(), ground_of(household)
    trains = household.trains.select_related("household", "plan").order_by("pk")
    return [_ensured(train, ground, moment) for train in trains]


def ensure_quick(household: Household, *, now: dt.datetime | None = None) -> list[Train]:
    """Like `ensure_all`, but only where the model need not run; the trains that it left behind."""
    moment, ground = now or timezone.now(), ground_of(household)
    behind = []
    for train in household.trains.select_related("household", "plan").order_by("pk"):
        if is_quick(train, now=moment):
            _ensured(train, ground, moment)
        else:
            behind.append(train)
    return behind


def is_quick(train: Train, *, now: dt.datetime | None = None) -> bool:
    """Whether the plan is true to the facts, or can be made so without running the model."""
    if estimates.needs_refresh(train, now=now):
        return False
    found = kept(train)
    known = found.details.get("simulated", {}) if found else {}
    return not train.fingerprint or known.get("fingerprint") == train.fingerprint


def _ensured(train: Train, ground: Ground, moment: dt.datetime) -> PlanSummary:
    found = kept(train)
    behind = estimates.needs_refresh(train, now=moment)
    if found is not None and not behind and found.fingerprint == ground.fingerprint(train):
        return found
    return replan(train, now=moment, ground=ground)


def replan(
    train: Train, *, now: dt.datetime | None = None, ground: Ground | None = None
) -> PlanSummary:
    """Make the plan anew: its visits and swaps for the train's policy, and what both policies cost.

    A train that cannot be calculated gets a plan without visits, and ``details["problem"]`` says
    why. A swap that was due before, and still is, keeps the day on which it became due.
    """
    moment = now or timezone.now()
    if estimates.needs_refresh(train, now=moment):
        estimates.refresh(train, now=moment)
    found = ground or ground_of(train.household)
    before = kept(train)
    simulated = simulate(train, before.details.get("simulated", {}) if before else {})
    with transaction.atomic():
        Household.objects.select_for_update().get(pk=found.household.pk)
        return _write(train, found, simulated, moment)


def set_policy(train: Train, policy: str) -> None:
    """Look after the train the other way. Its estimates do not rest on it, its plan does."""
    train.policy = policy
    train.save(update_fields=["policy"])


def mark_stale(train: Train) -> None:
    """Let the plan be made anew when it is next asked for."""
    PlanSummary.objects.filter(train=train).update(fingerprint="")


def kept(train: Train) -> PlanSummary | None:
    """The plan as it was last made; None before the first."""
    try:
        return train.plan
    except PlanSummary.DoesNotExist:
        return None


@dataclass(frozen=True)
class Course:
    """What one policy asks for: its visits on days of the calendar, and the bill."""

    visits: tuple[Visit, ...]
    bill: Bill


def _write(
    train: Train, ground: Ground, simulated: dict[str, Any], moment: dt.datetime
) -> PlanSummary:
    zone = ground.household.zone
    today = moment.astimezone(zone).date()
    specs = _specs(simulated)
    courses = {
        policy: _course(run, ground, specs, zone=zone, today=today, now_day=day_of(moment))
        for policy, run in simulated["renewals"].items()
    }
    fingerprint = ground.fingerprint(train)
    due_before = _due_before(train)
    PlannedVisit.objects.filter(train=train).delete()
    if train.policy in courses:
        _write_visits(
            train,
            courses[train.policy].visits,
            stages=simulated["stages"],
            specs=specs,
            due_before=due_before,
            today=today,
            stamp=(moment, fingerprint),
        )
    _give_out(ground)
    summary, _ = PlanSummary.objects.update_or_create(
        train=train,
        defaults={
            "computed_at": moment,
            "fingerprint": fingerprint,
            "horizon_on": today + dt.timedelta(days=PLAN_DAYS),
            "details": _details(train, simulated, courses, zone=zone),
        },
    )
    train.plan = summary
    return summary


def _details(
    train: Train,
    simulated: dict[str, Any],
    courses: dict[str, Course],
    *,
    zone: zoneinfo.ZoneInfo,
) -> dict[str, Any]:
    run = simulated["renewals"].get(train.policy, {})
    periods = [
        [_date(first, zone).isoformat(), _date(last, zone).isoformat()]
        for first, last in run.get("unheld", [])
    ]
    return {
        "problem": simulated["problem"],
        "policy": train.policy,
        "days": PLAN_DAYS,
        "unheld": periods,
        "until_on": _date(run["until_day"], zone).isoformat() if run else "",
        "policies": {policy: course.bill.as_json() for policy, course in courses.items()},
        "simulated": simulated,
    }


def _specs(simulated: dict[str, Any]) -> dict[str, CartridgeSpec]:
    """The kinds that the renewals put in, by the model's key for them."""
    keys = {one["medium_key"] for run in simulated["renewals"].values() for one in run["renewals"]}
    wanted = CartridgeSpec.objects.filter(pk__in=[key.removeprefix("spec-") for key in keys])
    return {f"spec-{spec.pk}": spec for spec in wanted}


def _course(
    run: dict[str, Any],
    ground: Ground,
    specs: dict[str, CartridgeSpec],
    *,
    zone: zoneinfo.ZoneInfo,
    today: dt.date,
    now_day: float,
) -> Course:
    end = float(_date(run["until_day"], zone).toordinal())
    on_days = [
        replace(one, day=float(max(_date(one.day, zone), today).toordinal()))
        for one in renewals_of(run)
    ]
    known = {key: ground.prices.of(spec.pk) for key, spec in specs.items()}
    merged = merge_visits(
        [*on_days, *repeated(on_days, from_day=end)],
        price_of={key: float(price) for key, price in known.items() if price is not None},
        visit_cost=float(ground.rules.visit_cost),
    )
    visits = tuple(visit for visit in merged if visit.day < end)
    return Course(
        visits=visits,
        bill=bill(
            specs=[specs[one.medium_key] for visit in visits for one in visit.renewals],
            prices=ground.prices,
            rules=ground.rules,
            days=max(1, min(PLAN_DAYS, round(run["until_day"] - now_day))),
            visits=len(visits),
            litres=run["litres"],
        ),
    )


def _write_visits(
    train: Train,
    visits: Iterable[Visit],
    *,
    stages: Sequence[int],
    specs: dict[str, CartridgeSpec],
    due_before: dict[tuple[int, int], dt.date],
    today: dt.date,
    stamp: tuple[dt.datetime, str],
) -> None:
    number = _fitted(train)
    rows: list[PlannedSwap] = []
    for visit in visits:
        planned = _as_visit(train, visit, stamp)
        swaps = []
        for one in visit.renewals:
            stage = stages[one.stage - 1]
            number[stage] += 1
            swap = PlannedSwap(
                visit=planned,
                stage_id=stage,
                spec=specs[one.medium_key],
                replaces_id=int(one.replaced) if one.replaced else None,
                number=number[stage],
                rotation=one.rotation,
                due_on=dt.date.fromordinal(int(one.day)),
                cause=one.cause,
                unused=one.worn,
            )
            since = due_before.get((stage, swap.replaces_id or 0))
            if since is not None and since < swap.due_on == today:
                swap.due_on = since
            swaps.append(swap)
        planned.on = min([planned.on, *(swap.due_on for swap in swaps)])
        planned.save()
        rows += swaps
    PlannedSwap.objects.bulk_create(rows)


def _as_visit(train: Train, visit: Visit, stamp: tuple[dt.datetime, str]) -> PlannedVisit:
    computed_at, fingerprint = stamp
    return PlannedVisit(
        train=train,
        on=dt.date.fromordinal(int(visit.day)),
        computed_at=computed_at,
        fingerprint=fingerprint,
        brought_together=visit.brought_together,
        wasted=_cents(visit.wasted),
        saved=_cents(visit.saved),
    )


def _due_before(train: Train) -> dict[tuple[int, int], dt.date]:
    """The day that the former plan gave to each cartridge at work, by stage and cartridge."""
    rows = PlannedSwap.objects.filter(visit__train=train, replaces__isnull=False)
    return {
        (stage, cartridge): due_on
        for stage, cartridge, due_on in rows.values_list("stage_id", "replaces_id", "due_on")
    }


def _fitted(train: Train) -> dict[int, int]:
    """How many cartridges each stage has had."""
    rows = Fitting.objects.standing().filter(train=train, cartridge__isnull=False)
    counts = rows.order_by().values_list("stage_id").annotate(count=Count("pk"))
    return defaultdict(int, counts)


def _give_out(ground: Ground) -> None:
    """Set the spares aside anew in all of the household's plans."""
    swaps = spares.planned_swaps(ground.household)
    changed = spares.allocate(swaps, shelf=ground.shelf, prices=ground.prices, rules=ground.rules)
    PlannedSwap.objects.bulk_update(changed, spares.ALLOCATED)


def _date(day: float, zone: zoneinfo.ZoneInfo) -> dt.date:
    """The household's calendar day of a moment on the model's axis."""
    moment = moment_of(day)
    assert moment is not None  # the plan's days are finite
    return moment.astimezone(zone).date()


def _cents(value: float) -> Decimal:
    return Decimal(value).quantize(Decimal("0.01"))
