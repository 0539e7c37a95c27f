"""The turns of chores: made when somebody looks, each once, and at most one open for each chore.

A turn that was missed stays open and waits; those that would have come after it are done with it.
So a household that was away for a month finds each chore once, not four times. What lies further
ahead than ``MADE_AHEAD`` is worked out and not kept.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Max, Q, QuerySet
from django.urls import reverse

from hobbyhydro.households.models import Household
from schedule.models import Chore, ChoreTurn
from schedule.starter_chores import STARTERS, TESTS

from . import chore_days, recurrence
from .chore_days import ONE_DAY, Facts, day_in

MADE_AHEAD = dt.timedelta(days=31)
"""A turn is kept as a row once its day is this near; before that it is only worked out."""

SHOWN_AHEAD_DAYS = 60
"""Beyond the next turn of a chore, how far its later ones are listed."""

State = ChoreTurn.State
Occasion = Chore.Occasion


@dataclass(frozen=True, slots=True)
class Standing:
    """One chore as it stands: its open turn, and the last day that needs no turn any more."""

    chore: Chore
    turn: ChoreTurn | None
    covered: dt.date

    @property
    def at_work(self) -> bool:
        return self.chore.removed_at is None and not self.chore.paused


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be changed so that the rows agree with the facts."""

    starters: list[Chore]
    new: list[ChoreTurn]
    moved: list[ChoreTurn]
    gone: list[ChoreTurn]

    def __bool__(self) -> bool:
        return bool(self.starters or self.new or self.moved or self.gone)


def due(household: Household, *, today: dt.date, days_ahead: int) -> list[ChoreTurn]:
    """The turns that are overdue, due, or due within ``days_ahead`` days, soonest first.

    The next turn of each chore, and its later ones for up to ``SHOWN_AHEAD_DAYS``. Paused and
    removed chores have none. A turn without a primary key lies so far ahead that it is not kept
    yet. Makes what is missing; a fixed number of queries, however many chores there are.
    """
    facts, standings = settle(household, today=today)
    last = today + dt.timedelta(days=days_ahead)
    found: list[ChoreTurn] = []
    for standing in standings:
        if standing.at_work:
            found += _turns(standing, facts, last=last)
    found.sort(key=lambda t: (t.now_due_on, t.chore.occasion == Occasion.INTERVAL, t.chore_id))
    return list(_one_test_a_day(found, today=today))


def settle(
    household: Household, *, today: dt.date, starters: bool = True
) -> tuple[Facts, list[Standing]]:
    """Make open turns agree with the facts; the facts, and every chore.

    The starters of a train are made too, unless ``starters`` says not to: while a train is still
    being built, what it will need is not known.
    """
    facts = chore_days.gather(household, today=today)
    standings = _standings(household)
    if not _wanted(household, standings, facts, starters):
        return facts, standings
    with transaction.atomic():
        Household.objects.select_for_update().get(pk=household.pk)
        _make(_wanted(household, _standings(household), facts, starters))
        # A starter that was made just now may have its first turn today.
        _make(_wanted(household, _standings(household), facts, starters))
    return facts, _standings(household)


def open_turn(chore: Chore, *, today: dt.date) -> ChoreTurn | None:
    """The open turn of one chore, made if it is its time."""
    _, standings = settle(chore.household, today=today)
    return next((s.turn for s in standings if s.chore.pk == chore.pk), None)


def _standings(household: Household) -> list[Standing]:
    """All chores, the removed ones too. Two queries."""
    closed = ~Q(turns__state=State.OPEN)
    chores = household.chores.select_related("train").annotate(
        last_due_on=Max("turns__due_on", filter=closed),
        last_done_at=Max("turns__state_at", filter=Q(turns__state=State.DONE)),
        last_skipped_at=Max("turns__state_at", filter=Q(turns__state=State.SKIPPED)),
    )
    rows = ChoreTurn.objects.filter(chore__household=household, state=State.OPEN)
    turns = {turn.chore_id: turn for turn in rows.select_related("state_by")}
    found = []
    for chore in chores:
        chore.household = household
        turn = turns.get(chore.pk)
        if turn is not None:
            turn.chore = chore
        covered = _covered(
            chore,
            last_due_on=chore.last_due_on,
            done_at=chore.last_done_at,
            skipped_at=chore.last_skipped_at,
        )
        found.append(Standing(chore, turn, covered))
    return found


def _covered(
    chore: Chore,
    *,
    last_due_on: dt.date | None,
    done_at: dt.datetime | None,
    skipped_at: dt.datetime | None,
) -> dt.date:
    """The last day that needs no turn any more.

    A turn that was done covers the days until it was done. A skipped one covers those before it
    was skipped, so that the same day's own still comes. A swap is covered by its own turn alone.
    """
    found = [chore.start - ONE_DAY]
    if last_due_on is not None:
        found.append(last_due_on)
    if chore.occasion != Occasion.SWAP and done_at is not None:
        found.append(day_in(chore.household, done_at))
    if chore.occasion != Occasion.SWAP and skipped_at is not None:
        found.append(day_in(chore.household, skipped_at) - ONE_DAY)
    return max(found)


def next_day(standing: Standing, facts: Facts) -> dt.date | None:
    """The day of the turn that is to be done next, which may have passed; None without one."""
    chore, after = standing.chore, standing.covered
    if chore.occasion == Occasion.INTERVAL:
        coming = recurrence.next_days(chore.rule, start=chore.start, after=after)
        return coming[0] if coming else None
    far = facts.today + dt.timedelta(days=SHOWN_AHEAD_DAYS)
    found = chore_days.days(chore, facts, first=after + ONE_DAY, last=far)
    if not found:
        return None
    return found[-1] if chore.occasion == Occasion.SWAP else found[0]


def _wanted(
    household: Household, standings: list[Standing], facts: Facts, starters: bool
) -> _Wanted:
    missing = _missing_starters(household, standings, facts) if starters else ()
    wanted = _Wanted(list(missing), [], [], [])
    for standing in standings:
        if not standing.at_work:
            continue
        turn = standing.turn
        day = next_day(standing, facts)
        if day is not None and day > facts.today + MADE_AHEAD:
            day = None
        if turn is None:
            if day is not None:
                wanted.new.append(ChoreTurn(chore=standing.chore, due_on=day))
        elif day is None:
            wanted.gone.append(turn)
        elif turn.due_on != day:
            turn.due_on, turn.put_off_to, turn.state_by, turn.reason = day, None, None, ""
            wanted.moved.append(turn)
    return wanted


def _missing_starters(
    household: Household, standings: list[Standing], facts: Facts
) -> Iterable[Chore]:
    chores = [standing.chore for standing in standings]
    known = {(c.train_id, c.starter_key) for c in chores if c.starter_key}
    for train in facts.trains:
        carbons: int = getattr(train, "carbons", 0)
        metered: bool = getattr(train, "metered", False)
        for starter in STARTERS:
            if (train.pk, starter.key) in known:
                continue
            if not starter.suits(carbons=carbons, metered=metered):
                continue
            start = facts.today + dt.timedelta(days=starter.first_in_days)
            yield Chore(
                household=household,
                train=train,
                starter_key=starter.key,
                title=starter.title_for(carbons=carbons),
                how=starter.how,
                occasion=starter.occasion,
                rule=recurrence.plain_rule(starter.every, start=start) if starter.every else "",
                start=start,
                log_kind=starter.log_kind,
            )


def _make(wanted: _Wanted) -> None:
    Chore.objects.bulk_create(wanted.starters, ignore_conflicts=True)
    if wanted.gone:
        ChoreTurn.objects.filter(pk__in=[t.pk for t in wanted.gone]).delete()
    if wanted.moved:
        ChoreTurn.objects.bulk_update(wanted.moved, ["due_on", "put_off_to", "state_by", "reason"])
    ChoreTurn.objects.bulk_create(wanted.new, ignore_conflicts=True)


def _turns(standing: Standing, facts: Facts, *, last: dt.date) -> list[ChoreTurn]:
    """The open turn and those that would follow it were it done on its day."""
    chore, turn = standing.chore, standing.turn
    if turn is None:
        day = next_day(standing, facts)
        if day is None:
            return []
        turn = ChoreTurn(chore=chore, due_on=day)
    if turn.now_due_on > last:
        return []
    until = min(last, facts.today + dt.timedelta(days=SHOWN_AHEAD_DAYS))
    first = max(turn.due_on, turn.now_due_on, facts.today) + ONE_DAY
    later = chore_days.days(chore, facts, first=first, last=until)
    return [turn, *(ChoreTurn(chore=chore, due_on=day) for day in later)]


def _one_test_a_day(turns: list[ChoreTurn], *, today: dt.date) -> Iterable[ChoreTurn]:
    """Leave out a starter's test where another rhythm of it asks for the same on that day."""
    asked: set[tuple[int | None, dt.date]] = set()
    for turn in turns:
        if turn.chore.starter_key in TESTS:
            key = (turn.chore.train_id, max(turn.now_due_on, today))
            if key in asked:
                continue
            asked.add(key)
        yield turn


def log_address(chore: Chore) -> str:
    """The form in which a chore is logged; empty where it is only ticked off."""
    if not chore.log_kind or chore.train_id is None:
        return ""
    return reverse("log-fact", args=[chore.train_id, chore.log_kind])


def history(chore: Chore) -> QuerySet[ChoreTurn]:
    """What became of its turns, newest first."""
    closed = chore.turns.exclude(state=State.OPEN).select_related("state_by")
    return closed.order_by("-due_on", "-pk")


def done_lately(household: Household, *, since: dt.datetime) -> QuerySet[ChoreTurn]:
    """Turns that were done or skipped since then, newest first."""
    return (
        ChoreTurn.objects.filter(chore__household=household, state_at__gte=since)
        .exclude(state=State.OPEN)
        .select_related("chore__train", "state_by")
        .order_by("-state_at", "-pk")
    )
