"""What changed lately: the last entries of every kind of log, in one query."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.db.models import CharField, F, IntegerField, QuerySet, Value
from django.db.models.functions import Cast, JSONObject
from django.utils import timezone

from cartridges.models import (
    Cartridge,
    CartridgeSpec,
    Fact,
    Fitting,
    FlowTest,
    Meter,
    MeterReading,
    Note,
    OutletTest,
    OwnFigure,
    PressureReading,
    RestrictorFitting,
    Shutoff,
    SourceReading,
    Stage,
    SwitchPeriod,
    Train,
)

LATELY = dt.timedelta(days=60)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of what changed: when it was written down, of when, what, who, on which train (“”
    where on all)."""

    kind: str
    pk: int
    logged_at: dt.datetime
    at: dt.datetime
    fact: Fact
    who: str
    train: str

    @property
    def is_of_another_day(self) -> bool:
        """Back-dated, or announced ahead."""
        return timezone.localtime(self.at).date() != timezone.localtime(self.logged_at).date()

    def words(self, units: str) -> str:
        """What was logged, in the reader's units."""
        return self.fact.summary(units=units)


@dataclass(frozen=True, slots=True)
class _Branch:
    """One kind of fact: whose it is, which columns its summary needs, and how it is put together
    from them again."""

    model: type[Fact]
    owner: str
    columns: tuple[str, ...]
    build: Callable[[dict[str, Any]], Fact]


def _plain(model: type[Fact], owner: str, *columns: str) -> _Branch:
    """A kind whose columns are its own fields."""
    return _Branch(model, owner, columns, lambda row: model(**row))


def _stage(row: dict[str, Any]) -> Stage | None:
    position = row["stage__position"]
    return None if position is None else Stage(position=position)


def _cartridge(row: dict[str, Any]) -> Cartridge | None:
    number = row["cartridge__number"]
    if number is None:
        return None
    return Cartridge(number=number, spec=CartridgeSpec(name=row["cartridge__spec__name"]))


def _moment(text: str) -> dt.datetime:
    """A moment out of a database's JSON: ISO, or without a zone in UTC."""
    found = dt.datetime.fromisoformat(text)
    return found if timezone.is_aware(found) else found.replace(tzinfo=dt.UTC)


BRANCHES: tuple[_Branch, ...] = (
    _Branch(
        MeterReading,
        "train",
        ("reading_l", "rolled_over", "meter__unit"),
        lambda r: MeterReading(
            reading_l=r["reading_l"],
            rolled_over=bool(r["rolled_over"]),
            meter=Meter(unit=r["meter__unit"]),
        ),
    ),
    _plain(RestrictorFitting, "train", "rated_flow_l_day"),
    _plain(FlowTest, "train", "volume_l", "duration_s"),
    _Branch(
        PressureReading,
        "train",
        ("before_kpa", "after_kpa", "stage__position"),
        lambda r: PressureReading(
            before_kpa=r["before_kpa"], after_kpa=r["after_kpa"], stage=_stage(r)
        ),
    ),
    _Branch(
        Shutoff,
        "train",
        ("at", "until"),
        lambda r: Shutoff(at=_moment(r["at"]), until=_moment(r["until"]) if r["until"] else None),
    ),
    _Branch(
        OutletTest,
        "train",
        ("value_mg_l", "below", "species", "stage__position"),
        lambda r: OutletTest(
            value_mg_l=r["value_mg_l"],
            below=bool(r["below"]),
            species=r["species"],
            stage=_stage(r),
        ),
    ),
    _plain(Note, "train", "text"),
    _Branch(
        Fitting,
        "train",
        ("cartridge__number", "cartridge__spec__name", "stage__position"),
        lambda r: Fitting(stage=_stage(r), cartridge=_cartridge(r)),
    ),
    _plain(
        SourceReading,
        "source",
        "free_mg_l",
        "total_mg_l",
        "temperature_c",
        "turbidity_ntu",
        "ph",
        "origin",
    ),
    _Branch(
        SwitchPeriod,
        "source",
        ("until", "to"),
        lambda r: SwitchPeriod(until=_moment(r["until"]), to=r["to"]),
    ),
    _Branch(
        OwnFigure,
        "household",
        ("value", "figure", "spec__name"),
        lambda r: OwnFigure(
            value=r["value"], figure=r["figure"], spec=CartridgeSpec(name=r["spec__name"])
        ),
    ),
)
_BUILD = {b.model.KIND: b.build for b in BRANCHES}


def latest(trains: Sequence[Train], *, count: int = 6) -> list[Entry]:
    """The last ``count`` standing entries written down within sixty days, newest first.

    Facts about the source and the household's own figures count for every train that they touch.
    Rows that came in a file are left out: they are history, not news. One query.
    """
    if not trains:
        return []
    owners = {
        "train": [t.pk for t in trains],
        "source": sorted({t.source_id for t in trains}),
        "household": sorted({t.household_id for t in trains}),
    }
    since = timezone.now() - LATELY
    first, *rest = (
        columns.filter(**{f"{owner}__in": owners[owner]}, logged_at__gte=since)
        for owner, columns in _columns()
    )
    names = {t.pk: t.name for t in trains}
    rows = first.union(*rest, all=True).order_by("-logged_at", "-pk")[:count]
    return [_entry(row, names) for row in rows]


@cache
def _columns() -> tuple[tuple[str, QuerySet[Any, Any]], ...]:
    """Every kind's standing rows in the same columns: put together once, never run as they are."""
    found: list[tuple[str, QuerySet[Any, Any]]] = []
    for branch in BRANCHES:
        rows = branch.model._default_manager.filter(withdrawn_at__isnull=True).order_by()
        if branch.model is SourceReading:
            rows = rows.filter(imported__isnull=True)
        own_train = branch.owner == "train"
        rows = rows.annotate(
            kind=Value(branch.model.KIND, output_field=CharField()),
            of_train=F("train_id") if own_train else Cast(Value(None), IntegerField()),
            said=JSONObject(**{name: name for name in branch.columns}),
        )
        found.append(
            (
                branch.owner,
                rows.values(
                    "pk",
                    "logged_at",
                    "at",
                    "kind",
                    "of_train",
                    "said",
                    "logged_by__name",
                    "logged_by__email",
                ),
            )
        )
    return tuple(found)


def _entry(row: dict[str, Any], names: dict[int, str]) -> Entry:
    return Entry(
        kind=row["kind"],
        pk=row["pk"],
        logged_at=row["logged_at"],
        at=row["at"],
        fact=_BUILD[row["kind"]](row["said"]),
        who=row["logged_by__name"] or (row["logged_by__email"] or "").split("@")[0],
        train=names.get(row["of_train"], ""),
    )
