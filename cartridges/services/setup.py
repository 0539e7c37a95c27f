"""The guided set-up: each step saved whole, so that it can be left and taken up again.

A train is in set-up until ``set_up_at`` is written; a household has one such train at most. Until
then the set-up's own rows are its draft: a stage that is taken out again leaves nothing behind.
Facts that have been written are corrected like any other.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from cartridges.models import (
    Cartridge,
    CartridgeSpec,
    Estimate,
    Fact,
    Fitting,
    Meter,
    MeterReading,
    RestrictorFitting,
    Source,
    SourceReading,
    Stage,
    Train,
)
from hobbyhydro.households.models import Household, User

from . import acts, estimates, placements, taps
from .stages import arrange
from .taps import Water

WHY = "changed during set-up"


@dataclass(frozen=True, slots=True)
class Place:
    """A stage as the keeper arranged it; ``stage`` is its key once it has been saved."""

    kind: str
    housing: str
    stage: int | None = None


@dataclass(frozen=True, slots=True)
class Holding:
    """What a stage holds, and since when."""

    stage: Stage
    spec: CartridgeSpec
    at: dt.datetime
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Counter:
    """The meter: its unit, what it reads now, and whether it began at zero with the train."""

    unit: str
    reading_l: float
    from_zero: bool = False


def unfinished(household: Household) -> Train | None:
    """The train that is being set up, if there is one."""
    return household.trains.filter(set_up_at__isnull=True).select_related("source").first()


def first_gap(train: Train) -> str:
    """The step at which to take a set-up up again."""
    stages = list(train.stages.filter(retired_at__isnull=True))
    if not stages:
        return "train"
    held = placements.in_service(train)
    if any(stage.pk not in held for stage in stages):
        return "cartridges"
    return "answer" if train.restrictors.standing().exists() else "flow"


@transaction.atomic
def save_water(
    household: Household, *, water: Water, by: User | None, train: Train | None = None
) -> Train:
    """Write the tap down and, at the first step, begin the train on it.

    Sent twice, the second finds the train that the first began.
    """
    Household.objects.select_for_update().get(pk=household.pk)
    train = train or unfinished(household)
    if water.source is not None:
        source = water.source
    elif train is None or shared(train):
        source = Source(household=household, name=taps.free_name(household))
    else:
        source = train.source
    if water.source is None:
        source.disinfectant = water.disinfectant
        source.temperature_c = water.temperature_c
        source.ph = water.ph
        source.turbidity_ntu = water.turbidity_ntu
        source.save()
        _keep_reading(source, water, by=by)
    if train is None:
        return Train.objects.create(
            household=household, source=source, started_at=timezone.now(), name=_name(household)
        )
    train.source = source
    train.stale = True
    train.save(update_fields=["source", "stale"])
    return train


def shared(train: Train) -> bool:
    """Whether the tap serves another train, so that a new tap must not write over it."""
    return train.source.trains.exclude(pk=train.pk).exists()


def _name(household: Household) -> str:
    count = household.trains.count()
    return "Drip line" if count == 0 else f"Drip line {count + 1}"


def first_reading(source: Source) -> SourceReading | None:
    """The test that the set-up wrote down: the first that was typed in."""
    rows = source.readings.standing().filter(imported__isnull=True)
    found: SourceReading | None = rows.order_by("logged_at", "pk").first()
    return found


def _keep_reading(source: Source, water: Water, *, by: User | None) -> None:
    values = {
        "free_mg_l": water.free_mg_l,
        "total_mg_l": water.total_mg_l,
        **water.told(),
        "origin": water.origin,
        "remark": water.remark,
    }
    known = first_reading(source)
    if known is None:
        acts.log(SourceReading(source=source, at=timezone.now(), **values), by=by)
    else:
        _amend(known, values, by=by)


def _amend(fact: Fact, values: dict[str, Any], *, by: User | None) -> None:
    """Correct a fact where it differs."""
    changes = {k: v for k, v in values.items() if _differs(getattr(fact, k), v)}
    if changes:
        acts.correct(fact, by=by, why=WHY, **changes)


def _differs(known: object, said: object) -> bool:
    """A figure is shown with seven digits, so that it comes back a little different."""
    if isinstance(known, float) and isinstance(said, float):
        return not math.isclose(known, said, rel_tol=1e-6)
    return known != said


@transaction.atomic
def save_stages(train: Train, places: Sequence[Place]) -> None:
    """Arrange the stages as listed; a stage whose kind or size no longer fits gives its cartridge
    up, and one that is not listed goes."""
    known = {stage.pk: stage for stage in train.stages.filter(retired_at__isnull=True)}
    kept = {place.stage for place in places if place.stage in known}
    for pk, stage in known.items():
        if pk not in kept:
            _take_out(stage)
    ordered: list[Stage] = []
    for place in places:
        stage = known.get(place.stage or 0) or Stage(train=train, position=0)
        changed = (stage.kind, stage.housing) != (place.kind, place.housing)
        stage.kind, stage.housing = place.kind, place.housing
        if stage.pk and changed:
            _clear(stage)
        ordered.append(stage)
    arrange(train, ordered)


def _clear(stage: Stage) -> None:
    """Take back what the set-up put into a stage."""
    fittings = Fitting.objects.filter(stage=stage)
    cartridges = {f.cartridge_id for f in fittings if f.cartridge_id}
    _erase(fittings)
    Cartridge.objects.filter(pk__in=cartridges, fittings__isnull=True).delete()


def _take_out(stage: Stage) -> None:
    """Remove a stage of the draft; one that was tested in the meantime is retired instead."""
    tested = stage.outlet_tests.exists() or stage.pressures.exists()
    _clear(stage)
    if tested:
        stage.retired_at = timezone.now()
        stage.save(update_fields=["retired_at"])
    else:
        stage.delete()


def _erase(facts: QuerySet[Any]) -> None:
    """Delete facts of a draft, with what they replaced."""
    facts.update(replaces=None)
    facts.delete()


@transaction.atomic
def save_cartridges(train: Train, holdings: Sequence[Holding], *, by: User | None) -> None:
    """Put a cartridge into each stage, and let the train start with the first of them."""
    household = train.household
    held = placements.in_service(train)
    for holding in holdings:
        stay = held.get(holding.stage.pk)
        if stay is None:
            (cartridge,) = acts.buy(household=household, spec=holding.spec)
            acts.swap(
                stage=holding.stage,
                cartridge=cartridge,
                at=holding.at,
                by=by,
                remark=holding.remark,
            )
            continue
        if stay.cartridge.spec_id != holding.spec.pk:
            stay.cartridge.spec = holding.spec
            stay.cartridge.save(update_fields=["spec"])
        _amend(stay.fitting, {"at": holding.at, "remark": holding.remark}, by=by)
    _start(train, min((h.at for h in holdings), default=train.started_at), by=by)


def _start(train: Train, moment: dt.datetime, *, by: User | None) -> None:
    """The train has run since then, and so have its restrictor and a meter that began with it."""
    train.meters.filter(fitted_at=train.started_at).update(fitted_at=moment)
    restrictor = first_restrictor(train)
    if restrictor is not None:
        _amend(restrictor, {"at": moment}, by=by)
    train.started_at = moment
    train.stale = True
    train.save(update_fields=["started_at", "stale"])


def first_restrictor(train: Train) -> RestrictorFitting | None:
    """The restrictor that the train started with."""
    found: RestrictorFitting | None = train.restrictors.standing().in_order().first()
    return found


@transaction.atomic
def save_flow(
    train: Train,
    *,
    rated_flow_l_day: float,
    rated_pressure_kpa: float,
    law: str,
    meter: Counter | None,
    by: User | None,
) -> None:
    """Write down the restrictor, in place since the train started, and the meter if any."""
    values: dict[str, Any] = {
        "rated_flow_l_day": rated_flow_l_day,
        "rated_pressure_kpa": rated_pressure_kpa,
        "law": law,
    }
    known = first_restrictor(train)
    if known is None:
        acts.log(RestrictorFitting(train=train, at=train.started_at, **values), by=by)
    else:
        _amend(known, values, by=by)
    _keep_meter(train, meter, by=by)
    estimates.mark_stale(train)


def _keep_meter(train: Train, wanted: Counter | None, *, by: User | None) -> None:
    """Meter and first reading; a draft's meter is written anew when what was said of it changed."""
    known = set_up_meter(train)
    if known is None and wanted is None:
        return
    if known is not None and wanted is not None and _same_counter(known, wanted):
        return
    for meter in train.meters.all():
        _erase(MeterReading.objects.filter(meter=meter))
        meter.delete()
    if wanted is None:
        return
    now = timezone.now()
    from_zero = wanted.from_zero and train.started_at < now - dt.timedelta(hours=1)
    meter = Meter.objects.create(
        train=train,
        unit=wanted.unit,
        fitted_at=train.started_at if from_zero else now,
        start_l=0.0 if from_zero else wanted.reading_l,
    )
    acts.log(MeterReading(train=train, meter=meter, at=now, reading_l=wanted.reading_l), by=by)


def _same_counter(known: Counter, said: Counter) -> bool:
    same_kind = (known.unit, known.from_zero) == (said.unit, said.from_zero)
    return same_kind and not _differs(known.reading_l, said.reading_l)


def set_up_meter(train: Train) -> Counter | None:
    """The meter as the set-up described it."""
    meter = train.meters.filter(withdrawn_at__isnull=True).first()
    if meter is None:
        return None
    reading = meter.readings.standing().in_order().last()
    if reading is None or reading.at == meter.fitted_at:
        return Counter(unit=meter.unit, reading_l=meter.start_l)
    return Counter(unit=meter.unit, reading_l=reading.reading_l, from_zero=True)


def answer(train: Train) -> list[Estimate]:
    """The first answer: how long each cartridge lasts, calculated anew where anything changed."""
    if estimates.needs_refresh(train):
        estimates.refresh(train)
    rows = Estimate.objects.filter(train=train)
    return list(rows.select_related("stage", "cartridge__spec"))


def too_little(train: Train, estimates: Sequence[Estimate]) -> Estimate | None:
    """The last carbon stage, where even behind it the water is above the limit from the start."""
    carbons = [e for e in estimates if e.stage.is_carbon]
    if not carbons or carbons[-1].outlet_total_p50_mg_l is None:
        return None
    return carbons[-1] if carbons[-1].outlet_total_p50_mg_l >= train.limit_mg_l else None


def finish(train: Train) -> None:
    """The set-up is done; from here on the train's facts are history."""
    train.set_up_at = timezone.now()
    train.save(update_fields=["set_up_at"])
    estimates.settle(train)


@transaction.atomic
def discard(train: Train) -> None:
    """Throw away a train that was never finished. The tap stays, for the next one."""
    if train.set_up_at is not None:
        raise ValueError("a train that is set up is not thrown away")
    for stage in train.stages.all():
        _clear(stage)
    logged: list[QuerySet[Any]] = [
        train.fittings.all(),
        train.restrictors.all(),
        train.meter_readings.all(),
        train.flow_tests.all(),
        train.pressures.all(),
        train.outlet_tests.all(),
        train.shutoffs.all(),
        train.notes.all(),
    ]
    for facts in logged:
        _erase(facts)
    train.delete()
