"""What is to be said to whom: one row for each person, thing, day and kind.

A notice stands until it lapses: because the thing was done or went away, because it is now another
kind of news (what was nearly due is due), or because its day has moved by more than two days. What
stands is not said again.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils import timezone

from hobbyhydro.households.models import Household, Membership
from schedule.models import Letter, Notice, NoticeKind, NoticeWishes

from .agenda import Item, agenda
from .wishes import MOST_LEAD_DAYS, kinds_of, wishes_of

MOVED_DAYS = 2
"""A forecast wavers by a day or two; only a larger move is news. Our own judgement."""


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing to tell: ``due_on`` is the day by which, or for a problem since when.

    ``foretold`` is false for what comes round so often that its day alone is worth a word.
    """

    name: str
    due_on: dt.date
    title: str
    why: str
    path: str
    train_id: int | None
    how: str = ""
    is_order: bool = False
    is_problem: bool = False
    may_slide: bool = False
    foretold: bool = True

    def kind(self, *, today: dt.date) -> NoticeKind:
        """What kind of news it is on this day."""
        if self.is_problem:
            return NoticeKind.PROBLEM
        if self.due_on < today:
            return NoticeKind.OVERDUE
        if self.is_order:
            return NoticeKind.ORDER
        return NoticeKind.DUE if self.due_on == today else NoticeKind.NEARLY_DUE


def wanted_kind(thing: Thing, *, wishes: NoticeWishes, today: dt.date) -> NoticeKind | None:
    """The kind in which this person is to hear of the thing today; None where not at all.

    What has been left undone for the days that the person names is said to them whatever kinds
    they chose.
    """
    kind = thing.kind(today=today)
    kinds, late_days = kinds_of(wishes), (today - thing.due_on).days
    if kind is NoticeKind.OVERDUE and 0 < wishes.escalate_after_days <= late_days:
        return kind
    chosen = kind in kinds and (not thing.is_order or NoticeKind.ORDER in kinds)
    ahead = -late_days > (wishes.lead_days if thing.foretold else 0)
    return None if ahead or not chosen else kind


def write(household: Household, places: Sequence[Membership], *, today: dt.date) -> None:
    """Bring the notices of these people up to the household's agenda of today."""
    rows = _rows(household, places)
    things = things_of(household, today=today, standing=rows)
    by_name = {thing.name: thing for thing in things}
    by_person: dict[int, list[Notice]] = defaultdict(list)
    for row in rows:
        by_person[row.person_id].append(row)
    gone: list[int] = []
    fresh: list[Notice] = []
    again: list[int] = []
    for place in places:
        wishes = wishes_of(place)
        wanted = {
            name: (thing, kind)
            for name, thing in by_name.items()
            if (kind := wanted_kind(thing, wishes=wishes, today=today)) is not None
        }
        had = by_person[place.person_id]
        told = {row.thing for row in had if _still_true(row, wanted)}
        gone += [row.pk for row in had if row.lapsed_at is None and not _still_true(row, wanted)]
        lapsed = {(r.thing, r.kind, r.due_on): r.pk for r in had if r.lapsed_at is not None}
        for name, (thing, kind) in wanted.items():
            if name in told:
                continue
            known = lapsed.get((name, str(kind), thing.due_on))
            if known is not None:
                again.append(known)
            else:
                fresh.append(_notice(household, place, thing, kind))
    Notice.objects.filter(pk__in=gone).update(lapsed_at=timezone.now())
    _revive(again)
    Notice.objects.bulk_create(fresh, ignore_conflicts=True)


def lapse_gone(household: Household, *, today: dt.date) -> None:
    """Let go of what was done, went away or moved since its notice was written."""
    rows = [r for r in _rows(household, None) if r.lapsed_at is None]
    days = {t.name: t.due_on for t in things_of(household, today=today, standing=rows)}
    gone = [
        row.pk
        for row in rows
        if row.thing not in days or abs((days[row.thing] - row.due_on).days) > MOVED_DAYS
    ]
    Notice.objects.filter(pk__in=gone).update(lapsed_at=timezone.now())


def things_of(household: Household, *, today: dt.date, standing: Iterable[Notice]) -> list[Thing]:
    """The agenda of the next days and what looks wrong, each on the day it was first due.

    A plan that starts from now puts an overdue swap on today, day after day. What somebody was
    told to do by a day that has passed stays overdue since then, unless it moved into the future.
    """
    first_due: dict[str, dt.date] = {}
    for row in standing:
        if row.lapsed_at is None and row.due_on < first_due.get(row.thing, dt.date.max):
            first_due[row.thing] = row.due_on
    items = agenda(household, today=today, days_ahead=MOST_LEAD_DAYS)
    found = [_thing(item) for item in _next_turns(items)]
    found = [
        replace(t, due_on=min(t.due_on, first_due.get(t.name, t.due_on)))
        if t.may_slide and t.due_on <= today
        else t
        for t in found
    ]
    return [*found, *_problems(household, today=today, first_seen=first_due)]


def _next_turns(items: Iterable[Item]) -> Iterator[Item]:
    """Of each chore, stage and kind of order the next alone: what comes after it is no news
    before it is done."""
    seen: set[tuple[str, object]] = set()
    for item in items:
        if item.turn is not None:
            line: tuple[str, object] = "chore", item.turn.chore_id
        elif item.kind == "order":
            line = "order", item.thing.rpartition(":")[0]
        else:
            line = "swap", item.stage.pk if item.stage else item.thing
        if line not in seen:
            seen.add(line)
            yield item


def _thing(item: Item) -> Thing:
    often = item.turn is not None and not any(
        word in item.turn.chore.rule for word in ("FREQ=MONTHLY", "FREQ=YEARLY")
    )
    return Thing(
        name=item.thing,
        due_on=item.due_on,
        title=item.title,
        why=item.why if item.turn is None else "",
        how=item.why if item.turn is not None else "",
        path=item.url,
        train_id=item.train.pk if item.train else None,
        is_order=item.kind == "order",
        may_slide=item.kind != "chore",
        foretold=not often,
    )


def _problems(
    household: Household, *, today: dt.date, first_seen: Mapping[str, dt.date]
) -> Iterator[Thing]:
    """Trains that cannot be calculated, and tests that do not fit with the rest."""
    for train in household.trains.filter(set_up_at__isnull=False).only("name", "summary"):
        summary = train.summary or {}
        problem = str(summary.get("problem") or "")
        if problem:
            name = f"problem:train-{train.pk}:estimate"
            yield Thing(
                name=name,
                due_on=first_seen.get(name, today),
                title=f"{train} cannot be calculated",
                why=problem,
                path=reverse("train", args=[train.pk]),
                train_id=train.pk,
                is_problem=True,
            )
        if summary.get("unreconciled"):
            name = f"problem:train-{train.pk}:tests"
            yield Thing(
                name=name,
                due_on=first_seen.get(name, today),
                title=f"Test the water of {train} again",
                why="a test does not fit with the rest of what is known",
                path=reverse("log-fact", args=[train.pk, "outlet-test"]),
                train_id=train.pk,
                is_problem=True,
            )


def _rows(household: Household, places: Sequence[Membership] | None) -> list[Notice]:
    """Everything written so far that still stands, or could stand again. One query."""
    since = timezone.now() - dt.timedelta(days=2 * MOST_LEAD_DAYS)
    rows: QuerySet[Notice] = Notice.objects.filter(household=household).exclude(
        kind=NoticeKind.ALARM
    )
    if places is not None:
        rows = rows.filter(person__in=[place.person_id for place in places])
    return list(rows.filter(Q(lapsed_at__isnull=True) | Q(made_at__gte=since)))


def _still_true(row: Notice, wanted: Mapping[str, tuple[Thing, NoticeKind]]) -> bool:
    """Whether what this row said holds today, give or take what a forecast wavers."""
    if row.lapsed_at is not None or row.thing not in wanted:
        return False
    thing, kind = wanted[row.thing]
    return row.kind == kind and abs((row.due_on - thing.due_on).days) <= MOVED_DAYS


def _notice(household: Household, place: Membership, thing: Thing, kind: NoticeKind) -> Notice:
    return Notice(
        person_id=place.person_id,
        household=household,
        train_id=thing.train_id,
        thing=thing.name,
        kind=kind,
        due_on=thing.due_on,
        says={"title": thing.title, "why": thing.why, "how": thing.how, "path": thing.path},
    )


def _revive(keys: list[int]) -> None:
    """Let rows hold again that had lapsed. Those that nobody was sent are told after all."""
    if not keys:
        return
    rows = Notice.objects.filter(pk__in=keys)
    rows.filter(letter__state=Letter.State.LAPSED).update(letter=None)
    rows.update(lapsed_at=None)
