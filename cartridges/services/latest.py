"""What changed lately: the last entries of every kind of log, in one query."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import (
    BooleanField,
    CharField,
    DateTimeField,
    F,
    FloatField,
    IntegerField,
    QuerySet,
    Value,
)
from django.db.models.functions import Cast
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
NUMBERS = ("number_a", "number_b", "number_c", "number_d", "number_e")
WORDS = ("word_a", "word_b")


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of what changed: when, what, who, and where to read more."""

    kind: str
    pk: int
    at: dt.datetime
    fact: Fact
    who: str

    def words(self, units: str) -> str:
        """What was logged, in the reader's units."""
        return self.fact.summary(units=units)


@dataclass(frozen=True, slots=True)
class _Branch:
    """How one kind of fact fits the common columns, and how it is put together again."""

    model: type[Fact]
    owner: str
    numbers: tuple[str, ...]
    words: tuple[str, ...]
    build: Callable[[dict[str, Any]], Fact]
    position: str = ""
    flag: str = ""
    until: str = ""


def _stage(row: dict[str, Any]) -> Stage | None:
    return None if row["position"] is None else Stage(position=row["position"])


def _cartridge(row: dict[str, Any]) -> Cartridge | None:
    if row["number_a"] is None:
        return None
    return Cartridge(number=int(row["number_a"]), spec=CartridgeSpec(name=row["word_a"]))


BRANCHES: tuple[_Branch, ...] = (
    _Branch(
        MeterReading,
        "train",
        ("reading_l",),
        ("meter__unit",),
        lambda r: MeterReading(
            reading_l=r["number_a"], rolled_over=bool(r["flag"]), meter=Meter(unit=r["word_a"])
        ),
        flag="rolled_over",
    ),
    _Branch(
        RestrictorFitting,
        "train",
        ("rated_flow_l_day",),
        (),
        lambda r: RestrictorFitting(rated_flow_l_day=r["number_a"]),
    ),
    _Branch(
        FlowTest,
        "train",
        ("volume_l", "duration_s"),
        (),
        lambda r: FlowTest(volume_l=r["number_a"], duration_s=r["number_b"]),
    ),
    _Branch(
        PressureReading,
        "train",
        ("before_kpa", "after_kpa"),
        (),
        lambda r: PressureReading(
            before_kpa=r["number_a"], after_kpa=r["number_b"], stage=_stage(r)
        ),
        position="stage__position",
    ),
    _Branch(
        Shutoff, "train", (), (), lambda r: Shutoff(at=r["at"], until=r["until"]), until="until"
    ),
    _Branch(
        OutletTest,
        "train",
        ("value_mg_l",),
        ("species",),
        lambda r: OutletTest(
            value_mg_l=r["number_a"], below=bool(r["flag"]), species=r["word_a"], stage=_stage(r)
        ),
        position="stage__position",
        flag="below",
    ),
    _Branch(Note, "train", (), ("text",), lambda r: Note(text=r["word_a"])),
    _Branch(
        Fitting,
        "train",
        ("cartridge__number",),
        ("cartridge__spec__name",),
        lambda r: Fitting(stage=_stage(r), cartridge=_cartridge(r)),
        position="stage__position",
    ),
    _Branch(
        SourceReading,
        "source",
        ("free_mg_l", "total_mg_l", "temperature_c", "turbidity_ntu", "ph"),
        (),
        lambda r: SourceReading(
            free_mg_l=r["number_a"],
            total_mg_l=r["number_b"],
            temperature_c=r["number_c"],
            turbidity_ntu=r["number_d"],
            ph=r["number_e"],
        ),
    ),
    _Branch(
        SwitchPeriod,
        "source",
        (),
        ("to",),
        lambda r: SwitchPeriod(until=r["until"], to=r["word_a"]),
        until="until",
    ),
    _Branch(
        OwnFigure,
        "household",
        ("value",),
        ("figure", "spec__name"),
        lambda r: OwnFigure(
            value=r["number_a"], figure=r["word_a"], spec=CartridgeSpec(name=r["word_b"])
        ),
    ),
)
_BUILD = {b.model.KIND: b.build for b in BRANCHES}


def latest(trains: Sequence[Train], *, count: int = 6) -> list[Entry]:
    """The last ``count`` standing entries about these trains within sixty days, newest first.

    Facts about the source and the household's own figures count for every train that they touch.
    Rows that came in a file are left out: they are history, not news. One query.
    """
    if not trains:
        return []
    now = timezone.now()
    owners = {
        "train": [t.pk for t in trains],
        "source": sorted({t.source_id for t in trains}),
        "household": sorted({t.household_id for t in trains}),
    }
    first, *rest = (_columns(b, owners[b.owner], since=now - LATELY) for b in BRANCHES)
    rows = first.union(*rest, all=True).order_by("-at", "-pk")[:count]
    return [_entry(row) for row in rows]


def _columns(branch: _Branch, owners: list[int], *, since: dt.datetime) -> QuerySet[Any, Any]:
    rows = branch.model._default_manager.filter(
        **{f"{branch.owner}__in": owners}, at__gte=since, withdrawn_at__isnull=True
    )
    if branch.model is SourceReading:
        rows = rows.filter(imported__isnull=True)
    shape: dict[str, Any] = {
        "kind": Value(branch.model.KIND, output_field=CharField()),
        "who_name": F("logged_by__name"),
        "who_email": F("logged_by__email"),
        "position": _or_null(branch.position, IntegerField()),
        "flag": _or_null(branch.flag, BooleanField()),
        "moment": _or_null(branch.until, DateTimeField()),
    }
    for name, field in zip(NUMBERS, _padded(branch.numbers, len(NUMBERS)), strict=True):
        shape[name] = _or_null(field, FloatField())
    for name, field in zip(WORDS, _padded(branch.words, len(WORDS)), strict=True):
        shape[name] = _or_null(field, CharField())
    columns: QuerySet[Any, Any] = rows.order_by().annotate(**shape).values("pk", "at", *shape)
    return columns


def _padded(names: tuple[str, ...], length: int) -> tuple[str, ...]:
    return names + ("",) * (length - len(names))


def _or_null(field: str, kind: Any) -> Any:
    if not field:
        return Cast(Value(None), output_field=kind)
    if isinstance(kind, FloatField | CharField):
        return Cast(field, output_field=kind)
    return F(field)


def _entry(row: dict[str, Any]) -> Entry:
    row["until"] = row.pop("moment")
    fact = _BUILD[row["kind"]](row)
    who = row["who_name"] or (row["who_email"] or "").split("@")[0]
    return Entry(kind=row["kind"], pk=row["pk"], at=row["at"], fact=fact, who=who)
