"""What a tap delivers, by its tests: the last figure of each kind, the year's average, and the
level that the model takes from them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Avg, Count, F, Q, QuerySet

from cartridges.models import Source, SourceReading
from cartridges.physics.source import MRDL_MG_L

from .timeline import NotEnough, Timeline

YEAR = dt.timedelta(days=365)
TYPICAL = "Typical figure, not measured"
STATED = "As you stated it"
MEASURED = Q(free_mg_l__isnull=False) | Q(total_mg_l__isnull=False)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the tap: its name, the value in the kept unit, when and by whom.

    ``quantity`` names its units ("" for pH, which has none). ``at`` is None where the figure was
    stated for the source, or is a typical one, and was never tested; ``value`` is None where
    nothing is known.
    """

    label: str
    quantity: str
    value: float | None
    at: dt.datetime | None
    origin: str


@dataclass(frozen=True, slots=True)
class YearAverage:
    """Mean chlorine of the tests of the last 365 days, to hold against the US limit.

    ``species`` is "total", or "free" where no total was tested in that time.
    """

    species: str
    mean_mg_l: float
    tests: int
    limit_mg_l: float = MRDL_MG_L

    @property
    def is_above(self) -> bool:
        return self.mean_mg_l > self.limit_mg_l


@dataclass(frozen=True, slots=True)
class OldEnd:
    """The newest of some tests, more than a year old; ``newer`` is a later one of the same tap.
    ``typical_since``: a typical figure, written down later than any test, that the model takes."""

    at: dt.datetime
    newer: dt.datetime | None
    typical_since: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """Chlorine of the tap as the model takes it now; ``rel_sd`` is its relative standard
    deviation, one error common to both. ``is_typical`` where nobody measured it."""

    free_mg_l: float
    total_mg_l: float
    rel_sd: float
    is_typical: bool


def figures(source: Source, *, now: dt.datetime) -> list[Figure]:
    """Free, total and combined chlorine, temperature, pH and turbidity as last known.

    A test goes before a typical figure, whichever is newer. Combined is total - free of the last
    test that measured both.
    """
    both = _last(source, now, "free_mg_l", "total_mg_l")
    combined = None
    if both is not None and both.free_mg_l is not None and both.total_mg_l is not None:
        combined = both.total_mg_l - both.free_mg_l
    found = [
        _tested(source, now, "free_mg_l", "Free chlorine", "chlorine", None),
        _tested(source, now, "total_mg_l", "Total chlorine", "chlorine", None),
        Figure("Combined chlorine", "chlorine", combined, *_when(both)),
    ]
    for name, label, quantity in (
        ("temperature_c", "Temperature", "temperature"),
        ("ph", "pH", ""),
        ("turbidity_ntu", "Turbidity", "turbidity"),
    ):
        found.append(_tested(source, now, name, label, quantity, getattr(source, name)))
    return found


def year_average(source: Source, *, now: dt.datetime) -> YearAverage | None:
    """The mean of the last year's tests, typical figures aside; None where there was none."""
    found = (
        _tests(source, now)
        .filter(at__gt=now - YEAR)
        .aggregate(
            total=Avg("total_mg_l"),
            totals=Count("total_mg_l"),
            free=Avg("free_mg_l"),
            frees=Count("free_mg_l"),
        )
    )
    for species in ("total", "free"):
        if found[species] is not None:
            return YearAverage(species, found[species], found[f"{species}s"])
    return None


def last_test(source: Source, *, now: dt.datetime) -> dt.datetime | None:
    """When the tap's chlorine was last tested, by anybody."""
    row = _tests(source, now).filter(MEASURED).order_by("-at", "-pk").first()
    return None if row is None else row.at


def old_end(source: Source, newest: dt.datetime | None, *, now: dt.datetime) -> OldEnd | None:
    """What to say of tests that end at ``newest``: nothing where that is within a year."""
    if newest is None or newest > now - YEAR:
        return None
    last = last_test(source, now=now)
    if last is not None and last > newest:
        return OldEnd(newest, last)
    standing = source.readings.filter(withdrawn_at__isnull=True, at__gt=newest, at__lte=now)
    typical = standing.filter(MEASURED, origin=SourceReading.Origin.TYPICAL).order_by("-at").first()
    return OldEnd(newest, None, typical.at if typical is not None else None)


def level_now(source: Source, *, now: dt.datetime) -> Level | None:
    """What the model takes the tap to deliver now, the same for every train that it feeds.

    None where it feeds none, or where too little is known of it.
    """
    train = source.trains.order_by("pk").first()
    if train is None:
        return None
    line = Timeline(train, now)
    try:
        past, _ = line.source
    except NotEnough:
        return None
    return Level(
        free_mg_l=float(past.free_mg_l[-1]),
        total_mg_l=float(past.total_mg_l[-1]),
        rel_sd=float(past.rel_sd[-1]),
        is_typical=line.tap_is_typical,
    )


def _tests(source: Source, now: dt.datetime) -> QuerySet[SourceReading]:
    """What was measured: all that stands, typical figures aside."""
    rows = source.readings.filter(withdrawn_at__isnull=True, at__lte=now)
    return rows.exclude(origin=SourceReading.Origin.TYPICAL)


def _last(source: Source, now: dt.datetime, *names: str) -> SourceReading | None:
    """The last test of all of these, or the last typical figure where there is none."""
    told = {f"{name}__isnull": False for name in names}
    rows = source.readings.filter(withdrawn_at__isnull=True, at__lte=now, **told)
    is_test = ~Q(origin=SourceReading.Origin.TYPICAL)
    newest = (F("at").desc(), F("pk").desc())
    ordered = rows.alias(is_test=is_test).order_by(F("is_test").desc(), *newest)
    found: SourceReading | None = ordered.first()
    return found


def _when(reading: SourceReading | None) -> tuple[dt.datetime | None, str]:
    if reading is None:
        return None, ""
    if reading.is_typical:
        return None, TYPICAL
    return reading.at, reading.get_origin_display()


def _tested(
    source: Source, now: dt.datetime, name: str, label: str, quantity: str, stated: float | None
) -> Figure:
    reading = _last(source, now, name)
    if stated is not None and (reading is None or reading.is_typical):
        return Figure(label, quantity, stated, None, STATED)
    if reading is None:
        return Figure(label, quantity, None, None, "")
    value: float = getattr(reading, name)
    return Figure(label, quantity, value, *_when(reading))
