"""Periods in which the utility runs another disinfectant: no two of one source may overlap."""

from __future__ import annotations

import datetime as dt
from typing import cast

from django.db import transaction
from django.utils import timezone

from cartridges.models import Disinfectant, Source, SwitchPeriod
from hobbyhydro.households.models import User

from . import acts
from .acts import ActError

LONGEST = dt.timedelta(days=366)


def period(
    source: Source, *, first_day: dt.date, last_day: dt.date | None
) -> tuple[dt.datetime, dt.datetime]:
    """From the start of the first day to the last second of the last, on the household's clock.

    Without a last day it is for good.
    """
    zone = source.household.zone
    start = dt.datetime.combine(first_day, dt.time(0), tzinfo=zone)
    if last_day is None:
        return start.astimezone(dt.UTC), SwitchPeriod.FOR_GOOD
    end = dt.datetime.combine(last_day, dt.time(23, 59, 59), tzinfo=zone)
    return start.astimezone(dt.UTC), end.astimezone(dt.UTC)


@transaction.atomic
def add(
    *,
    source: Source,
    first_day: dt.date,
    last_day: dt.date | None,
    to: str,
    by: User | None,
    remark: str = "",
) -> SwitchPeriod:
    """Write down a switch period. Raises ActError in words where it cannot be."""
    at, until = _checked(source, first_day=first_day, last_day=last_day, to=to)
    fresh = SwitchPeriod(source=source, at=at, until=until, to=to, remark=remark)
    return acts.log(fresh, by=by)


@transaction.atomic
def correct(
    switch: SwitchPeriod,
    *,
    first_day: dt.date,
    last_day: dt.date | None,
    to: str,
    by: User | None,
    why: str,
    remark: str = "",
) -> SwitchPeriod:
    """Replace a switch period; the old one is kept, withdrawn. Raises ActError in words."""
    at, until = _checked(
        switch.source, first_day=first_day, last_day=last_day, to=to, instead_of=switch
    )
    return acts.correct(switch, by=by, why=why, at=at, until=until, to=to, remark=remark)


@transaction.atomic
def undo(switch: SwitchPeriod, *, by: User | None) -> None:
    """Withdraw a switch period; the one that it had corrected holds again."""
    _lock(switch.source)
    before = _replaced(switch)
    if before is not None:
        _refuse_overlap(switch.source, before.at, before.until, besides=switch)
    acts.undo(switch, by=by)


@transaction.atomic
def redo(switch: SwitchPeriod, *, by: User | None) -> None:
    """Let a withdrawn switch period hold again. Raises ActError where another is there by now."""
    _lock(switch.source)
    _refuse_overlap(switch.source, switch.at, switch.until, besides=_replaced(switch))
    acts.redo(switch, by=by)


def _checked(
    source: Source,
    *,
    first_day: dt.date,
    last_day: dt.date | None,
    to: str,
    instead_of: SwitchPeriod | None = None,
) -> tuple[dt.datetime, dt.datetime]:
    if last_day is not None and last_day < first_day:
        raise ActError("last_day", "The last day is before the first. Please check both.")
    if last_day is not None and last_day - first_day > LONGEST:
        raise ActError(
            "last_day", "This is more than a year. For a lasting change leave the last day empty."
        )
    if to == source.disinfectant:
        usual = Disinfectant(source.disinfectant).label.lower()
        raise ActError("to", f"This tap has {usual} already; a switch is to the other one.")
    _lock(source)
    at, until = period(source, first_day=first_day, last_day=last_day)
    _refuse_overlap(source, at, until, besides=instead_of)
    return at, until


def _replaced(switch: SwitchPeriod) -> SwitchPeriod | None:
    return cast("SwitchPeriod | None", switch.replaces)


def _lock(source: Source) -> None:
    Source.objects.select_for_update().get(pk=source.pk)


def _refuse_overlap(
    source: Source, at: dt.datetime, until: dt.datetime, *, besides: SwitchPeriod | None
) -> None:
    others = source.switches.filter(withdrawn_at__isnull=True, at__lte=until, until__gte=at)
    if besides is not None:
        others = others.exclude(pk=besides.pk)
    other = others.order_by("at").first()
    if other is not None:
        first = timezone.localtime(other.at)
        last = timezone.localtime(other.until) if not other.is_for_good else None
        span = f"from {first:%-d %b %Y} " + (f"to {last:%-d %b %Y}" if last else "on")
        raise ActError(
            "first_day",
            f"There is a switch period already {span}, and two cannot overlap. Correct that one "
            "instead.",
        )
