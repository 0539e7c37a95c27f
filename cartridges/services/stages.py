"""A train's settings, the order of its stages and its meters, once it is there."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone

from cartridges.models import Fitting, Meter, MeterReading, PressureReading, Stage, Train
from hobbyhydro.households.models import User

from . import acts, placements
from .estimates import mark_stale, settle

MOST_STAGES = 12
_ASIDE = 1000  # no two stages may share a place, not even for a moment


def standing(train: Train) -> list[Stage]:
    """The stages of today, in the order of the water."""
    return list(train.stages.filter(retired_at__isnull=True).order_by("position"))


@transaction.atomic
def arrange(train: Train, stages: Sequence[Stage]) -> None:
    """Number the stages from 1 as listed, saving new ones and changes of kind and housing.

    ``stages`` are all the train's standing stages. They step aside first, because the database
    allows no two at one place.
    """
    if len({stage.pk for stage in stages if stage.pk}) != sum(1 for s in stages if s.pk):
        raise ValueError("a stage is listed twice")
    Train.objects.select_for_update().get(pk=train.pk)
    for number, stage in enumerate(stages, start=1):
        stage.position = _ASIDE + number
        stage.save()
    for number, stage in enumerate(stages, start=1):
        stage.position = number
        stage.save(update_fields=["position"])
    mark_stale(train)


def add(train: Train, *, kind: str, housing: str, position: int) -> Stage:
    """Put a new, empty stage at a place; those behind it move back by one."""
    stage = Stage(train=train, kind=kind, housing=housing, position=0)
    with transaction.atomic():
        stages = standing(train)
        stages.insert(position - 1, stage)
        arrange(train, stages)
    settle(train)
    return stage


def neighbour(stage: Stage, *, by_places: int) -> Stage | None:
    """The stage one place towards the tap (-1) or the tanks (+1); None at the end."""
    stages = standing(stage.train)
    there = [s.pk for s in stages].index(stage.pk) + by_places
    return stages[there] if 0 <= there < len(stages) else None


def set_right(stage: Stage, *, by_places: int) -> bool:
    """The order was written down wrongly: the whole past is told in the new one.

    False where there is no such place.
    """
    train = stage.train
    with transaction.atomic():
        stages = standing(train)
        here = [s.pk for s in stages].index(stage.pk)
        there = here + by_places
        if not 0 <= there < len(stages):
            return False
        stages.insert(there, stages.pop(here))
        arrange(train, stages)
    settle(train)
    return True


def trade_places(stage: Stage, *, by_places: int, by: User | None) -> bool:
    """The housings trade places now, with what is in them; the past stays as it was.

    False where there is no such place. Both move in one act; trading again takes it back.
    """
    train, now = stage.train, timezone.now()
    with transaction.atomic():
        other = neighbour(stage, by_places=by_places)
        if other is None:
            return False
        held = placements.in_service(train)
        act = uuid.uuid4()
        for place, origin in ((stage, other), (other, stage)):
            stay = held.get(origin.pk)
            if stay is not None or place.pk in held:
                fitting = Fitting(
                    train=train,
                    stage=place,
                    cartridge=stay.cartridge if stay else None,
                    at=now,
                    act=act,
                    remark="Housings traded places.",
                )
                acts.log(fitting, by=by)
        stage.kind, other.kind = other.kind, stage.kind
        stage.housing, other.housing = other.housing, stage.housing
        Stage.objects.bulk_update([stage, other], ["kind", "housing"])
    settle(train)
    return True


def change(stage: Stage, *, kind: str, housing: str) -> None:
    """Another housing, or a kind that was chosen by mistake."""
    stage.kind, stage.housing = kind, housing
    with transaction.atomic():
        stage.save(update_fields=["kind", "housing"])
        mark_stale(stage.train)
    settle(stage.train)


def retire(
    stage: Stage, *, at: dt.datetime, by: User | None, throw_away: bool, remark: str = ""
) -> None:
    """Take a stage out of the train; its history stays.

    What it holds comes out at ``at``, and is thrown away or kept. Raises ActError("at", ...) for a
    moment before the last cartridge went in, or one at which the stage held another.
    """
    train = stage.train
    with transaction.atomic():
        stay = placements.in_service(train).get(stage.pk)
        if stay is not None:
            if at < stay.start:
                raise acts.ActError(
                    "at",
                    f"Its cartridge was fitted on {timezone.localtime(stay.start):%-d %b %Y}, "
                    "which is later than that.",
                )
            acts.empty(stage=stage, at=at, by=by, remark=remark)
            if throw_away:
                acts.discard(stay.cartridge)
        stage.retired_at = at
        stage.save(update_fields=["retired_at"])
        arrange(train, standing(train))
    settle(train)


def change_train(train: Train, values: Mapping[str, Any], *, by: User | None = None) -> None:
    """Change a train's settings.

    The stated supply pressure counts until one was read. Where one was, another pressure is
    written down as of now, or it would say nothing of the flow to come.
    """
    with transaction.atomic():
        pressure = values.get("supply_pressure_kpa")
        if pressure is not None and pressure != train.supply_pressure_kpa:
            _note_pressure(train, pressure, by=by)
        for name, value in values.items():
            setattr(train, name, value)
        train.save(update_fields=list(values))
        mark_stale(train)
    settle(train)


def _note_pressure(train: Train, pressure_kpa: float, *, by: User | None) -> None:
    if train.pressures.standing().exists():
        reading = PressureReading(
            train=train,
            at=timezone.now(),
            before_kpa=pressure_kpa,
            remark="Stated in the train’s settings.",
        )
        acts.log(reading, by=by)


def fit_meter(meter: Meter, *, final_reading_l: float | None, by: User | None) -> None:
    """Write down a new meter, and what the one before it read last."""
    train = meter.train
    with transaction.atomic():
        before = train.meters.filter(withdrawn_at__isnull=True).last()
        if final_reading_l is not None and before is not None:
            last = MeterReading(
                train=train,
                meter=before,
                at=meter.fitted_at - dt.timedelta(minutes=1),
                reading_l=final_reading_l,
                remark="Last reading before the meter was replaced.",
            )
            acts.log(last, by=by)
        meter.save()
        mark_stale(train)
    settle(train)


def remove_meter(meter: Meter) -> bool:
    """Take back a meter that was written down by mistake; False where it has been read."""
    if meter.readings.standing().exists():
        return False
    with transaction.atomic():
        meter.withdrawn_at = timezone.now()
        meter.save(update_fields=["withdrawn_at"])
        mark_stale(meter.train)
    settle(meter.train)
    return True
