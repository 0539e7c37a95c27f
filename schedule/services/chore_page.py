"""What the page of chores shows: today, soon, later, and what was done lately."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from cartridges.models import CARBON_KINDS, Fitting
from hobbyhydro.households.models import Household
from schedule.models import Chore, ChoreTurn
from schedule.starter_chores import FLUSH

from . import recurrence
from .agenda import Item, agenda
from .chore_days import day_in

SOON_DAYS = 7
LATER_DAYS = 60
LATELY = dt.timedelta(days=14)


@dataclass(frozen=True, slots=True)
class Flush:
    """How much is to be flushed through one new cartridge; None where the package is silent."""

    stage: int
    volume_l: float | None


@dataclass(frozen=True, slots=True)
class Row:
    """One thing to do, how many days it is overdue, and what is to be flushed for it."""

    item: Item
    days_overdue: int
    flushes: list[Flush]

    @property
    def turn(self) -> ChoreTurn | None:
        """The turn, if it is kept already and so can be acted upon."""
        return self.item.turn if self.item.turn is not None and self.item.turn.pk else None

    @property
    def is_swap(self) -> bool:
        return self.item.kind in ("swap", "rotation")


@dataclass(frozen=True, slots=True)
class Ahead:
    """All that is to be done, by how soon."""

    now: list[Row]
    soon: list[Row]
    later: list[Row]


def ahead(household: Household, *, today: dt.date) -> Ahead:
    """Chores and swaps of the next ``LATER_DAYS`` days; later ones of the same chore are listed
    once, by their next turn, unless it is daily work that is near."""
    items = [
        item
        for item in agenda(household, today=today, days_ahead=LATER_DAYS)
        if item.kind != "order"
    ]
    flushes = flush_volumes(household, [i.turn for i in items if i.turn is not None and i.turn.pk])
    groups: dict[str, list[Row]] = {"now": [], "soon": [], "later": []}
    seen: set[int] = set()
    for item in items:
        chore_pk = item.turn.chore_id if item.turn is not None else None
        if chore_pk in seen and item.due_on > today:
            continue
        if chore_pk is not None:
            seen.add(chore_pk)
        days = (item.due_on - today).days
        group = "now" if days <= 0 else "soon" if days <= SOON_DAYS else "later"
        turn_pk = item.turn.pk if item.turn is not None else None
        row = Row(item, max(0, -days), flushes.get(turn_pk or 0, []))
        groups[group].append(row)
    return Ahead(**groups)


def flush_volumes(household: Household, turns: list[ChoreTurn]) -> dict[int, list[Flush]]:
    """What the packages of the newly fitted carbon say is to be flushed, by turn. One query."""
    wanted = [t for t in turns if t.chore.starter_key == FLUSH]
    fittings = (
        Fitting.objects.standing()
        .filter(train__household=household, cartridge__spec__kind__in=CARBON_KINDS)
        .select_related("stage", "cartridge__spec")
        .in_order()
    )
    found: dict[int, list[Flush]] = defaultdict(list)
    used: set[int] = set()
    for fitting in fittings if wanted else ():
        cartridge = fitting.cartridge
        if cartridge is None or cartridge.pk in used:
            continue
        used.add(cartridge.pk)
        for turn in wanted:
            if turn.chore.train_id == fitting.train_id and turn.due_on == day_in(
                household, fitting.at
            ):
                flush = Flush(fitting.stage.position, cartridge.spec.flush_volume_l)
                found[turn.pk].append(flush)
    return found


@dataclass(frozen=True, slots=True)
class Kept:
    """One chore as it stands in the list of all of them."""

    chore: Chore
    when: str


def when_words(chore: Chore) -> str:
    """How often it comes, in words."""
    if chore.occasion == Chore.Occasion.INTERVAL:
        return recurrence.in_words(chore.rule, start=chore.start)
    label = str(Chore.Occasion(chore.occasion).label)
    return label[0].lower() + label[1:]


def every_chore(household: Household) -> list[Kept]:
    """All chores, those at work first, then paused ones, then removed ones. One query."""
    chores = household.chores.select_related("train")
    order = sorted(chores, key=lambda c: (c.removed_at is not None, c.paused, c.title, c.pk))
    return [Kept(chore, when_words(chore)) for chore in order]
