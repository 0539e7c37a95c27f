"""Everything that writes a fact. Each act is whole or not at all, and marks its trains stale."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from typing import TypeVar

from django.db import transaction
from django.db.models import Max, Q
from django.utils import timezone

from cartridges.models import (
    Cartridge,
    CartridgeSpec,
    Fact,
    Fitting,
    MeterReading,
    OwnFigure,
    Shutoff,
    Stage,
    Train,
)
from cartridges.signals import logged
from hobbyhydro.households.models import Household, User

from . import placements
from .estimates import mark_stale

F = TypeVar("F", bound=Fact)


class ActError(ValueError):
    """Something that cannot be done as asked; ``field`` is the form field to say it beside."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


def trains_of(fact: Fact) -> list[Train]:
    """The trains whose estimates rest on this fact."""
    if isinstance(fact, OwnFigure):
        return list(Train.objects.filter(household=fact.household))
    train = getattr(fact, "train", None)
    if train is not None:
        return [train]
    return list(Train.objects.filter(source=getattr(fact, "source", None)))


@transaction.atomic
def log(fact: F, *, by: User | None) -> F:
    """Save a new fact."""
    fact.logged_by = by
    fact.save()
    _touch(fact)
    return fact


@transaction.atomic
def correct(fact: F, *, by: User | None, why: str, **changes: object) -> F:
    """Replace a standing fact by one with ``changes``; the old one is kept, withdrawn."""
    locked = fact.rows().select_for_update().get(pk=fact.pk)
    if not locked.stands:
        raise ActError("why", "This entry was corrected or undone in the meantime.")
    fresh: F = locked.correct(by=by, why=why, **changes)
    _touch(fresh)
    return fresh


@transaction.atomic
def undo(fact: Fact, *, by: User | None, why: str = "") -> list[Fact]:
    """Withdraw a fact and all of the same act; what a lone correction replaced holds again."""
    undone = [f for f in _same_act(fact) if f.stands]
    for each in undone:
        each.withdraw(by=by, why=why or "undone")
        if each.replaces is not None and not _within_act(each):
            each.replaces.reinstate()
    _settle_meters(undone)
    _touch(fact)
    return undone


@transaction.atomic
def redo(fact: Fact, *, by: User | None) -> list[Fact]:
    """Take an undo back: the fact and all of the same act hold again, as last corrected."""
    act = _same_act(fact)
    corrected = {f.replaces.pk for f in act if f.replaces is not None}
    redone = [f for f in act if not (f.stands or f.pk in corrected or _was_corrected(f))]
    if not redone:
        raise ActError("why", "A correction stands in its place. Undo the correction instead.")
    for each in redone:
        if each.replaces is not None and not _within_act(each):
            each.replaces.withdraw(by=by, why=each.why or "corrected")
        each.reinstate()
    _settle_meters(redone)
    _touch(fact)
    return redone


@transaction.atomic
def swap(
    *,
    stage: Stage,
    cartridge: Cartridge,
    at: dt.datetime,
    by: User | None,
    remark: str = "",
    act: uuid.UUID | None = None,
) -> Fitting:
    """Put a cartridge into a stage; whatever the stage held is out from that moment."""
    _check_free(cartridge, stage=stage, at=at)
    fitting = Fitting(
        train=stage.train, stage=stage, cartridge=cartridge, at=at, remark=remark, act=act
    )
    return log(fitting, by=by)


@transaction.atomic
def empty(*, stage: Stage, at: dt.datetime, by: User | None, remark: str = "") -> Fitting:
    """Take the cartridge out of a stage and put nothing in."""
    held = [s for s in placements.stays(stage.train) if s.stage.pk == stage.pk and s.covers(at)]
    if not held:
        raise ActError("stage", f"Stage {stage.position} holds no cartridge at that moment.")
    return log(Fitting(train=stage.train, stage=stage, cartridge=None, at=at, remark=remark), by=by)


@transaction.atomic
def rotate(
    *,
    train: Train,
    at: dt.datetime,
    by: User | None,
    new_cartridge: Cartridge,
    remark: str = "",
) -> list[Fitting]:
    """Lead–lag: the first carbon out, each later one a place forward, the new one last."""
    here = placements.in_service(train)
    chain = [here[s.pk] for s in carbon_stages(train) if s.pk in here]
    if len(chain) < 2:
        raise ActError("stage", "A rotation needs two carbon stages that hold a cartridge.")
    if any(stay.start > at for stay in chain):
        raise ActError("at", "One of these cartridges was fitted later than that.")
    moving = [stay.cartridge for stay in chain[1:]] + [new_cartridge]
    act = uuid.uuid4()
    return [
        swap(stage=stay.stage, cartridge=cartridge, at=at, by=by, remark=remark, act=act)
        for stay, cartridge in zip(chain, moving, strict=True)
    ]


def carbon_stages(train: Train) -> list[Stage]:
    """The carbon stages of today, in the order of the water."""
    return [s for s in train.stages.filter(retired_at__isnull=True) if s.is_carbon]


@transaction.atomic
def buy(
    *,
    household: Household,
    spec: CartridgeSpec,
    count: int = 1,
    bought_on: dt.date | None = None,
    price: Decimal | None = None,
) -> list[Cartridge]:
    """Put new cartridges on the shelf, numbered on from the household's last."""
    Household.objects.select_for_update().get(pk=household.pk)
    last = household.cartridges.aggregate(last=Max("number"))["last"] or 0
    return Cartridge.objects.bulk_create(
        Cartridge(
            household=household,
            spec=spec,
            number=last + k,
            bought_on=bought_on,
            price=price,
        )
        for k in range(1, count + 1)
    )


@transaction.atomic
def discard(cartridge: Cartridge) -> None:
    """Throw a spare away; it leaves the shelf and stays in the records."""
    cartridge.discarded_at = timezone.now()
    cartridge.save(update_fields=["discarded_at"])


@transaction.atomic
def shut_off(
    *,
    train: Train,
    at: dt.datetime,
    until: dt.datetime | None = None,
    by: User | None,
    remark: str = "",
) -> Shutoff:
    """The water is off from ``at``, until ``until`` where that is known."""
    if until is not None and until <= at:
        raise ActError("until", "The water came on again before it went off. Please check both.")
    shared = Q(until__isnull=True) | Q(until__gt=at)
    if until is not None:
        shared &= Q(at__lt=until)
    clash = train.shutoffs.standing().filter(shared).first()
    if clash is not None:
        raise ActError(
            "at",
            f"The water was already off then: {clash.summary(units='us').lower()}, "
            f"from {timezone.localtime(clash.at):%-d %b %Y %H:%M}.",
        )
    return log(Shutoff(train=train, at=at, until=until, remark=remark), by=by)


@transaction.atomic
def turn_on(*, train: Train, at: dt.datetime, by: User | None, remark: str = "") -> Shutoff:
    """Close the open shut-off at ``at``."""
    open_one = train.shutoffs.standing().filter(until__isnull=True).in_order().last()
    if open_one is None:
        raise ActError("at", "The water is not shut off, by what is written here.")
    if at <= open_one.at:
        raise ActError(
            "at",
            f"It was shut off at {timezone.localtime(open_one.at):%-d %b %Y %H:%M}, "
            "which is later than that.",
        )
    closed: Shutoff = correct(
        open_one, by=by, why="turned on again", until=at, remark=remark or open_one.remark
    )
    return closed


def _same_act(fact: Fact) -> list[Fact]:
    """The fact as it is by now, and all of the same act, held until the act is whole."""
    wanted = Q(pk=fact.pk) if fact.act is None else Q(act=fact.act)
    return list(fact.rows().select_for_update().filter(wanted))


def _within_act(fact: Fact) -> bool:
    """Whether what this fact replaced belongs to the same act, which is undone as a whole."""
    return fact.act is not None and fact.replaces is not None and fact.replaces.act == fact.act


def _was_corrected(fact: Fact) -> bool:
    return fact.rows().standing().filter(replaces=fact).exists()


def _check_free(cartridge: Cartridge, *, stage: Stage, at: dt.datetime) -> None:
    if cartridge.discarded_at is not None:
        raise ActError("cartridge", f"Cartridge no. {cartridge.number} was thrown away.")
    for stay in placements.household_stays(cartridge.household):
        if stay.cartridge.pk != cartridge.pk:
            continue
        if stay.stage.train_id != stage.train_id:
            raise ActError(
                "cartridge",
                f"Cartridge no. {cartridge.number} has worked in {stay.stage.train}. What it took "
                "up there is not carried over, so it cannot go into another train.",
            )
        if stay.covers(at) and stay.stage.pk == stage.pk:
            raise ActError(
                "cartridge",
                f"Cartridge no. {cartridge.number} is in stage {stage.position} already.",
            )


def _settle_meters(facts: list[Fact]) -> None:
    """A meter that was logged with a reading comes and goes with its readings."""
    for fact in facts:
        if not isinstance(fact, MeterReading):
            continue
        meter = fact.meter
        others = meter.train.meters.filter(withdrawn_at__isnull=True).exclude(pk=meter.pk)
        begun_by_it = fact.at == meter.fitted_at or others.exists()
        holds = meter.readings.standing().exists() or not begun_by_it
        meter.withdrawn_at = None if holds else timezone.now()
        meter.save(update_fields=["withdrawn_at"])


def _touch(fact: Fact) -> None:
    for train in trains_of(fact):
        mark_stale(train)
    logged.send(sender=type(fact), fact=fact)
