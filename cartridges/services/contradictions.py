"""What cannot be true together once a fact is undone, taken up again or moved in time."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from cartridges.models import Fact, Fitting, Meter, MeterReading, Shutoff, Train

from . import placements
from .acts import ActError
from .meters import meters_of


def refuse_contradiction(fact: Fact) -> None:
    """Raise ActError when the facts that hold now, with or without this one, cannot all be true.

    To be called in the transaction that changed what holds, so that the refusal takes it back.
    """
    if isinstance(fact, MeterReading):
        for meter in meters_of(fact.train):
            _weigh_dial(meter)
    elif isinstance(fact, Shutoff):
        _weigh_shutoffs(fact.train)
    elif isinstance(fact, Fitting):
        _weigh_cartridges(fact.train)


def _weigh_dial(meter: Meter) -> None:
    """Each reading is at least the one before it, or past zero; one reading a moment."""
    rows = (
        meter.readings.standing()
        .filter(at__gte=meter.fitted_at)
        .in_order()
        .values_list("at", "reading_l", "rolled_over")
    )
    before_at, before_l, is_read = meter.fitted_at, meter.start_l, False
    for at, reading_l, rolled_over in rows:
        slack = 1e-6 * max(1.0, before_l)
        if at == before_at and is_read and abs(reading_l - before_l) > slack:
            raise ActError("at", f"Two readings would stand for {_clock(at)}.")
        if at > before_at and reading_l < before_l - slack and not rolled_over:
            raise ActError(
                "at",
                f"Then the meter would fall from {meter.face(before_l)} on {_clock(before_at)} to "
                f"{meter.face(reading_l)} on {_clock(at)}, with nothing to say why. Correct or "
                "undo the readings after it first.",
            )
        before_at, before_l, is_read = at, reading_l, True


def _weigh_shutoffs(train: Train) -> None:
    """No two shut-offs share a moment."""
    end: dt.datetime | None = None
    is_first = True
    for row in Shutoff.rows().standing().filter(train=train).in_order():
        if not is_first and (end is None or row.at < end):
            raise ActError("at", f"Then two shut-offs would overlap on {_clock(row.at)}.")
        end, is_first = row.until, False


def _weigh_cartridges(train: Train) -> None:
    """None works in a stage that was taken out, through which no water runs, or in two trains,
    because what it took up in the one is not known in the other."""
    trains: dict[int, int] = {}
    for stay in placements.household_stays(train.household):
        number, stage = stay.cartridge.number, stay.stage
        if trains.setdefault(stay.cartridge.pk, stage.train_id) != stage.train_id:
            raise ActError("at", f"Then no. {number} would have worked in two trains.")
        if stay.end is None and stage.retired_at is not None:
            raise ActError(
                "at",
                f"Then no. {number} would be at work in a stage that was taken out of the train "
                f"on {_clock(stage.retired_at)}.",
            )


def _clock(moment: dt.datetime) -> str:
    return f"{timezone.localtime(moment):%-d %b %Y at %H:%M}"
