"""What a meter's readings say to each other, and what the flow is expected to be."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import transaction

from cartridges.models import Meter, MeterReading, RestrictorFitting, Train
from cartridges.models.base import FactQuerySet
from cartridges.physics.throughput import FLOW_LAWS, Restrictor, restricted_flow_l_day
from hobbyhydro.households.models import User

from . import acts

IMPLAUSIBLE = 3.0  # times the expected flow: asked back once before it is saved
SECONDS_A_DAY = 86_400.0


@dataclass(frozen=True, slots=True)
class Mark:
    """What the meter showed at one moment; ``fact`` is None where the meter was just fitted."""

    at: dt.datetime
    reading_l: float
    rolled_over: bool
    fact: MeterReading | None


@dataclass(frozen=True, slots=True)
class NewMeter:
    """A meter that is not written down yet."""

    unit: str
    fitted_at: dt.datetime
    start_l: float


def meters_of(train: Train) -> list[Meter]:
    """The train's meters that hold, in the order in which they were fitted. One query."""
    return list(train.meters.filter(withdrawn_at__isnull=True).order_by("fitted_at", "pk"))


def meter_at(meters: list[Meter], at: dt.datetime) -> Meter | None:
    """The meter that was in place at that moment (to the minute)."""
    before = [m for m in meters if m.fitted_at.replace(second=0, microsecond=0) <= at]
    return before[-1] if before else None


def mark_before(meter: Meter, at: dt.datetime, *, without: MeterReading | None = None) -> Mark:
    """The reading before that moment, or what the meter read when it was fitted."""
    row = _others(meter, without).filter(at__lt=at).order_by("at", "pk").last()
    if row is None:
        return Mark(meter.fitted_at, meter.start_l, False, None)
    return Mark(row.at, row.reading_l, row.rolled_over, row)


def mark_after(
    meter: Meter, at: dt.datetime, *, without: MeterReading | None = None
) -> Mark | None:
    """The reading after that moment, if there is one."""
    row = _others(meter, without).filter(at__gt=at).order_by("at", "pk").first()
    return None if row is None else Mark(row.at, row.reading_l, row.rolled_over, row)


def mark_of_minute(meter: Meter, minute: dt.datetime) -> Mark | None:
    """The last that the meter showed within that minute, its fitting included; None for nothing."""
    end = minute + dt.timedelta(minutes=1)
    row = _others(meter, None).filter(at__gte=minute, at__lt=end).order_by("at", "pk").last()
    if row is not None:
        return Mark(row.at, row.reading_l, row.rolled_over, row)
    fitted_then = minute <= meter.fitted_at < end
    return Mark(meter.fitted_at, meter.start_l, False, None) if fitted_then else None


def implied_flow_l_day(
    *, before: Mark, at: dt.datetime, reading_l: float, turn_l: float = 0.0
) -> float | None:
    """Mean flow between two readings, L/day; ``turn_l`` is added where the dial passed zero.

    None where no time has passed between them.
    """
    if at <= before.at:
        return None
    return mean_flow_l_day(reading_l + turn_l - before.reading_l, since=before.at, until=at)


def mean_flow_l_day(volume_l: float, *, since: dt.datetime, until: dt.datetime) -> float:
    """A volume spread over the time between two moments, the second later, L/day."""
    return volume_l / ((until - since).total_seconds() / SECONDS_A_DAY)


def expected_flow_l_day(train: Train, *, since: dt.datetime, at: dt.datetime) -> float | None:
    """The most that the restrictors in place between two moments should let through, L/day.

    The restrictor's law at the train's stated pressure and the source's temperature, times what
    the last calculation found actual flow to be of it. Where no restrictor is known, the flow that
    the last calculation found; None where there is neither.
    """
    rows = list(RestrictorFitting.objects.standing().filter(train=train, at__lte=at).in_order())
    earlier = [r for r in rows if r.at <= since][-1:]
    held = earlier + [r for r in rows if r.at > since]
    if not held:
        return _found(train, "flow_l_day")
    correction = _found(train, "correction") or 1.0
    return correction * max(rated_now_l_day(train, row) for row in held)


def _found(train: Train, figure: str) -> float | None:
    """A figure above zero that the last calculation left with the train."""
    value = train.summary.get(figure)
    return float(value) if isinstance(value, int | float) and value > 0 else None


def rated_now_l_day(train: Train, row: RestrictorFitting) -> float:
    """What one restrictor passes at the train's stated pressure and temperature, L/day."""
    law = FLOW_LAWS[row.law]
    flow = restricted_flow_l_day(
        restrictor=Restrictor(
            fitted_day=0.0,
            rated_flow_l_day=row.rated_flow_l_day,
            rated_pressure_kpa=row.rated_pressure_kpa,
            exponent=law.exponent,
            laminar=law.laminar,
        ),
        pressure_kpa=train.supply_pressure_kpa,
        temperature_c=train.source.temperature_c,
    )
    return float(flow)


@transaction.atomic
def log_reading(
    *,
    train: Train,
    reading_l: float,
    at: dt.datetime,
    by: User | None,
    remark: str = "",
    meter: Meter | None = None,
    new_meter: NewMeter | None = None,
    rolled_over: bool = False,
    rolls_over_at_l: float | None = None,
) -> MeterReading:
    """Save a reading, together with the meter it is the first of or where the dial starts again.

    ``meter`` is the one that was read; ``new_meter`` is made first and read instead.
    """
    if new_meter is not None:
        meter = Meter.objects.create(
            train=train,
            unit=new_meter.unit,
            fitted_at=new_meter.fitted_at,
            start_l=new_meter.start_l,
        )
    if meter is None:
        raise acts.ActError("reading_l", "There is no meter to read at that time.")
    learn_turn(meter, rolls_over_at_l)
    reading = MeterReading(
        train=train,
        meter=meter,
        reading_l=reading_l,
        at=at,
        rolled_over=rolled_over,
        remark=remark,
    )
    return acts.log(reading, by=by)


def learn_turn(meter: Meter, rolls_over_at_l: float | None) -> None:
    """Remember where the dial starts again from zero, once it is known."""
    if rolls_over_at_l is not None and rolls_over_at_l != meter.rolls_over_at_l:
        meter.rolls_over_at_l = rolls_over_at_l
        meter.save(update_fields=["rolls_over_at_l"])


def _others(meter: Meter, without: MeterReading | None) -> FactQuerySet:
    rows = MeterReading.objects.standing().filter(meter=meter)
    return rows if without is None else rows.exclude(pk=without.pk)
