"""The logbook: every fact of a train and of its source, and who came to the household and went,
newest first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import CharField, Count, Exists, F, Max, OuterRef, Q, QuerySet, Value

from cartridges.models import (
    Fact,
    Fitting,
    FlowTest,
    MeterReading,
    Note,
    OutletTest,
    OwnFigure,
    PressureReading,
    RestrictorFitting,
    Shutoff,
    SourceReading,
    SwitchPeriod,
    Train,
)
from hobbyhydro.households.models import HouseholdEvent, User

Line = Fact | HouseholdEvent
HOUSEHOLD: Final = "household"  # the kind of what happened to the household itself
STEP: Final = 1000  # so many lines are read at a time where all are wanted

# The one place that lists the kinds of facts.
KINDS: Final[dict[str, type[Fact]]] = {
    model.KIND: model
    for model in (
        MeterReading,
        OutletTest,
        Fitting,
        SourceReading,
        FlowTest,
        PressureReading,
        RestrictorFitting,
        Shutoff,
        SwitchPeriod,
        OwnFigure,
        Note,
    )
}

NAMES: Final[dict[str, str]] = {
    "meter-reading": "Meter reading",
    "outlet-test": "Outlet test",
    "swap": "Cartridge swap",
    "source-test": "Tap test",
    "bucket-test": "Bucket test",
    "pressure": "Pressure",
    "restrictor": "Restrictor change",
    "shut-off": "Water off",
    "disinfectant-switch": "Disinfectant switch",
    "own-figure": "Own figure",
    "note": "Note",
    HOUSEHOLD: "Household",
}
ROTATION: Final = "Rotation"  # fittings that were one act
TYPICAL: Final = "Typical figure"  # of the tap: nobody tested it


def name_of(line: Line) -> str:
    """What a line of the logbook is called."""
    if isinstance(line, HouseholdEvent):
        return NAMES[HOUSEHOLD]
    if isinstance(line, SourceReading) and line.is_typical:
        return TYPICAL
    return ROTATION if isinstance(line, Fitting) and line.act is not None else NAMES[line.KIND]


# What the one-line summary of a fact reads beside the fact itself.
RELATED: Final[dict[str, tuple[str, ...]]] = {
    "meter-reading": ("meter",),
    "outlet-test": ("stage",),
    "swap": ("stage", "cartridge__spec"),
    "pressure": ("stage",),
    "own-figure": ("spec",),
}


@dataclass(frozen=True, slots=True)
class Use:
    """How often a kind was logged, and when last (None: never)."""

    count: int
    last_at: dt.datetime | None


@dataclass(frozen=True, slots=True)
class Entries:
    """A stretch of the logbook that is read from the database only where it is looked at.

    ``count()`` is one query. A slice is one query for which facts stand in it, and one more for
    each kind among them, however many facts there are.
    """

    parts: Mapping[str, QuerySet[Any]]

    def count(self) -> int:
        return self._keys().count() if self.parts else 0

    def __len__(self) -> int:
        return self.count()

    def __getitem__(self, wanted: slice) -> list[Line]:
        if not self.parts:
            return []
        keys = list(self._keys().order_by("-at", "-logged_at", "-pk", "kind")[wanted])
        lines: dict[tuple[str, int], Line] = {}
        for kind in {key["kind"] for key in keys}:
            pks = [key["pk"] for key in keys if key["kind"] == kind]
            lines |= {(kind, line.pk): line for line in _whole(kind, pks)}
        return [lines[key["kind"], key["pk"]] for key in keys if (key["kind"], key["pk"]) in lines]

    def __iter__(self) -> Iterator[Line]:
        for start in range(0, self.count(), STEP):
            yield from self[start : start + STEP]

    def _keys(self) -> QuerySet[Any, dict[str, Any]]:
        """Which lines, by kind and primary key: the union of all kinds."""
        return _union(
            _written(kind, rows.order_by().annotate(kind=_kind(kind))).values(
                "kind", "pk", "at", "logged_at"
            )
            for kind, rows in self.parts.items()
        )


def _whole(kind: str, pks: list[int]) -> QuerySet[Any]:
    """These lines of one kind, with all that a line of the logbook reads."""
    if kind == HOUSEHOLD:
        return HouseholdEvent.objects.filter(pk__in=pks).select_related("by")
    rows = KINDS[kind].rows().filter(pk__in=pks)
    return rows.select_related("logged_by", "withdrawn_by", *RELATED.get(kind, ()))


def _written(kind: str, rows: QuerySet[Any]) -> QuerySet[Any]:
    """With when it was written down: an event of the household is, the moment it happens."""
    return rows.annotate(logged_at=F("at")) if kind == HOUSEHOLD else rows


def entries(
    train: Train,
    *,
    kinds: Iterable[str] | None = None,
    include_withdrawn: bool = False,
    by: User | None = None,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    from_files: bool = True,
    acts_whole: bool = False,
) -> Entries:
    """The facts of this train and its source, and the events of its household, newest first.

    ``kinds`` are keys of NAMES (None: all; unknown ones are passed over); ``by`` is who logged
    them; ``since`` is the first moment and ``until`` the first one after the stretch;
    ``from_files`` lets in what was imported; ``acts_whole`` lets one fact stand for all that were
    one act with it (`parts_of` finds the others).
    """
    wanted = set(NAMES if kinds is None else kinds)
    parts: dict[str, QuerySet[Any]] = {}
    for kind, rows in facts_of(train).items():
        if kind not in wanted:
            continue
        if not include_withdrawn:
            rows = rows.filter(withdrawn_at__isnull=True)
        if not from_files:
            rows = _by_hand(kind, rows)
        if by is not None:
            rows = rows.filter(logged_by=by)
        rows = _within(rows, since, until)
        parts[kind] = _one_an_act(rows) if acts_whole else rows
    if HOUSEHOLD in wanted:
        events = HouseholdEvent.objects.filter(household=train.household_id)
        if by is not None:
            events = events.filter(by=by)
        parts[HOUSEHOLD] = _within(events, since, until)
    return Entries(parts)


def _one_an_act(rows: QuerySet[Any]) -> QuerySet[Any]:
    """The first fact of each act, of one moment and alike standing or withdrawn."""
    like_it = {"act": OuterRef("act"), "at": OuterRef("at"), "pk__lt": OuterRef("pk")}
    standing = rows.filter(withdrawn_at__isnull=True, **like_it)
    withdrawn = rows.filter(withdrawn_at__isnull=False, **like_it)
    return rows.exclude(Q(withdrawn_at__isnull=True) & Exists(standing)).exclude(
        Q(withdrawn_at__isnull=False) & Exists(withdrawn)
    )


def parts_of(lines: Iterable[Line]) -> dict[tuple[str, int], list[Fact]]:
    """For each line that stands for a whole act, all its facts, by kind and key of the line.

    One query for each kind that has such lines.
    """
    heads = [line for line in lines if isinstance(line, Fact) and line.act is not None]
    found: dict[tuple[str, int], list[Fact]] = {}
    for kind in {head.KIND for head in heads}:
        own = [head for head in heads if kind == head.KIND]
        rows = KINDS[kind].rows().filter(act__in={head.act for head in own}).order_by("pk")
        facts: list[Fact] = list(rows.select_related(*RELATED.get(kind, ())))
        for head in own:
            same = [f for f in facts if (f.act, f.at, f.stands) == (head.act, head.at, head.stands)]
            found[kind, head.pk] = same
    return {key: facts for key, facts in found.items() if len(facts) > 1}


def _within(
    rows: QuerySet[Any], since: dt.datetime | None, until: dt.datetime | None
) -> QuerySet[Any]:
    """Those from ``since`` on and before ``until``."""
    if since is not None:
        rows = rows.filter(at__gte=since)
    return rows if until is None else rows.filter(at__lt=until)


def facts_of(train: Train) -> dict[str, QuerySet[Any]]:
    """All that was ever written down about the train and its source, by kind."""
    return {kind: model.rows().filter(**_owner(model, train)) for kind, model in KINDS.items()}


def history(fact: Fact) -> list[Fact]:
    """Every version of a fact, the newest first: what replaced it, itself, what it replaced.

    A correction that was undone stands in the list too. Two queries, and one more for each step
    of the chain.
    """
    rows = (
        type(fact).rows().select_related("logged_by", "withdrawn_by", *RELATED.get(fact.KIND, ()))
    )
    first: Fact = fact
    while first.replaces is not None:
        first = rows.get(pk=first.replaces.pk)
    found, latest = [first], [first.pk]
    while latest:
        following = list(rows.filter(replaces__in=latest).order_by("pk"))
        found += following
        latest = [row.pk for row in following]
    return found[::-1]


def same_act(fact: Fact) -> list[Fact]:
    """The standing facts that were one act with this one, itself among them."""
    if fact.act is None:
        return [fact]
    rows = type(fact).rows().standing().filter(act=fact.act)
    return list(rows.select_related(*RELATED.get(fact.KIND, ())).order_by("pk"))


def uses(train: Train, *, since: dt.datetime) -> dict[str, Use]:
    """How often each kind was logged by hand since then, and when last. One query."""
    parts = [
        _by_hand(kind, rows.filter(withdrawn_at__isnull=True, at__gte=since))
        .order_by()
        .annotate(kind=_kind(kind))
        .values("kind")
        .annotate(logged=Count("pk"), last_at=Max("at"))
        for kind, rows in facts_of(train).items()
    ]
    found = {kind: Use(0, None) for kind in KINDS}
    for row in _union(parts):
        found[row["kind"]] = Use(row["logged"], row["last_at"])
    return found


def people(train: Train) -> list[User]:
    """Those who can have logged something here: the household's people, by name."""
    return sorted(train.household.people.all(), key=lambda person: str(person).lower())


def _by_hand(kind: str, rows: QuerySet[Any]) -> QuerySet[Any]:
    return rows.filter(imported__isnull=True) if kind == SourceReading.KIND else rows


def _owner(model: type[Fact], train: Train) -> dict[str, Any]:
    """What a fact of this kind must belong to, to stand in this train's logbook."""
    names = {field.name for field in model._meta.concrete_fields}
    if "train" in names:
        return {"train": train}
    if "source" in names:
        return {"source": train.source_id}
    return {"household": train.household_id}


def _kind(kind: str) -> Value:
    return Value(kind, output_field=CharField())


def _union(parts: Iterable[QuerySet[Any, Any]]) -> QuerySet[Any, Any]:
    first, *others = parts
    return first.union(*others, all=True) if others else first
