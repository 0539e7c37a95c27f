"""When a train began: it follows the first cartridge and the first restrictor, if they move."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import QuerySet

from cartridges.models import Fact, Fitting, Meter, RestrictorFitting, Train
from hobbyhydro.households.models import User

from . import acts
from .estimates import mark_stale

WHY = "the train began at another time"
MOST_BEFORE = dt.timedelta(days=round(30 * 365.25))
"""Nothing is fitted longer than this before what is known of the train."""


@transaction.atomic
def follow(fact: Fact, *, was: dt.datetime | None = None, by: User | None) -> None:
    """Let the train start with the earliest of what stands, where ``fact`` changed that.

    A cartridge or restrictor fitted before ``Train.started_at`` moves the start back to it. Where
    the fact that the train began with was moved or undone (``was`` is the moment it had), and all
    that is written down is later than that, the start moves forward again to the first of it.
    The restrictor and the meter that began with the train go along, as they do in the set-up.
    To be called in the transaction that changed what stands. Other kinds of facts change nothing.
    """
    if not isinstance(fact, Fitting | RestrictorFitting):
        return
    train = Train.objects.select_for_update().get(pk=fact.train_id)
    start = train.started_at
    restrictors = list(train.restrictors.standing().filter(at=start).exclude(pk=_own(fact)))
    meters = [m for m in _meters(train).filter(fitted_at=start) if not _is_read(m, start)]
    along = {*(("restrictor", r.pk) for r in restrictors), *(("meter", m.pk) for m in meters)}
    fitted = _fitted(train, along)
    if not fitted:
        return
    first = min(fitted)
    if first > start:
        if was != start:
            return
        first = min([first, *_rest(train, along)])
    if first == start:
        return
    for restrictor in restrictors:
        acts.correct(restrictor, by=by, why=WHY, at=first)
    for meter in meters:
        meter.fitted_at = first
        meter.save(update_fields=["fitted_at"])
    train.started_at = first
    train.save(update_fields=["started_at"])
    fact.train.started_at = first
    mark_stale(train)


def _own(fact: Fact) -> int:
    """The key of the fact itself where it is a restrictor."""
    return fact.pk if isinstance(fact, RestrictorFitting) else 0


def _meters(train: Train) -> QuerySet[Meter]:
    return train.meters.filter(withdrawn_at__isnull=True)


def _is_read(meter: Meter, at: dt.datetime) -> bool:
    """Whether a reading says what the meter showed then, so that its time is known by itself."""
    return meter.readings.standing().filter(at=at).exists()


def _fitted(train: Train, along: set[tuple[str, int]]) -> list[dt.datetime]:
    """When cartridges and restrictors were fitted, without those that only go along."""
    swaps = train.fittings.standing().values_list("at", flat=True)
    rows = train.restrictors.standing().values_list("pk", "at")
    return [*swaps, *(at for pk, at in rows if ("restrictor", pk) not in along)]


def _rest(train: Train, along: set[tuple[str, int]]) -> list[dt.datetime]:
    """When everything else of the train was written down."""
    kinds = (
        train.meter_readings,
        train.flow_tests,
        train.pressures,
        train.outlet_tests,
        train.shutoffs,
    )
    found = [at for rows in kinds for at in rows.standing().values_list("at", flat=True)]
    return [*found, *(m.fitted_at for m in _meters(train) if ("meter", m.pk) not in along)]
