"""What a tap delivers, by its tests: the last figure of each kind, and the year's average."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Avg, Count, F

from cartridges.models import Source, SourceReading
from cartridges.physics.source import MRDL_MG_L

YEAR = dt.timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the tap: its name, the value in the kept unit, when and by whom.

    ``quantity`` names its units ("" for pH, which has none). ``at`` is None where the figure was
    stated for the source and never tested; ``value`` is None where nothing is known.
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


def figures(source: Source, *, now: dt.datetime) -> list[Figure]:
    """Free, total and combined chlorine, temperature, pH and turbidity as last known.

    Combined is total - free of the last test that measured both.
    """
    both = _last(source, now, "free_mg_l", "total_mg_l")
    combined = None
    if both is not None and both.free_mg_l is not None and both.total_mg_l is not None:
        combined = both.total_mg_l - both.free_mg_l
    found = [
        _tested(source, now, "free_mg_l", "Free chlorine", "chlorine", None),
        _tested(source, now, "total_mg_l", "Total chlorine", "chlorine", None),
        Figure(
            "Combined chlorine",
            "chlorine",
            combined,
            both.at if both else None,
            both.get_origin_display() if both else "",
        ),
    ]
    for name, label, quantity in (
        ("temperature_c", "Temperature", "temperature"),
        ("ph", "pH", ""),
        ("turbidity_ntu", "Turbidity", "turbidity"),
    ):
        found.append(_tested(source, now, name, label, quantity, getattr(source, name)))
    return found


def year_average(source: Source, *, now: dt.datetime) -> YearAverage | None:
    """The mean of the last year's tests; None where there was none."""
    found = source.readings.filter(
        withdrawn_at__isnull=True, at__gt=now - YEAR, at__lte=now
    ).aggregate(
        total=Avg("total_mg_l"),
        totals=Count("total_mg_l"),
        free=Avg("free_mg_l"),
        frees=Count("free_mg_l"),
    )
    for species in ("total", "free"):
        if found[species] is not None:
            return YearAverage(species, found[species], found[f"{species}s"])
    return None


def _last(source: Source, now: dt.datetime, *names: str) -> SourceReading | None:
    rows = source.readings.filter(withdrawn_at__isnull=True, at__lte=now)
    measured = rows.filter(**{f"{name}__isnull": False for name in names})
    return measured.order_by(F("at").desc(), F("pk").desc()).first()


def _tested(
    source: Source, now: dt.datetime, name: str, label: str, quantity: str, stated: float | None
) -> Figure:
    reading = _last(source, now, name)
    if reading is None:
        return Figure(label, quantity, stated, None, "" if stated is None else "As you stated it")
    value: float = getattr(reading, name)
    return Figure(label, quantity, value, reading.at, reading.get_origin_display())
