"""What a household has to do and by when, from its plan and its chores, in one list.

Notices, calendar and pages all read this list, so that they cannot disagree.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlencode

from django.db.models import Count
from django.urls import reverse

from cartridges.models import Cause, Stage, Train
from hobbyhydro.households.models import Household
from schedule.models import ChoreTurn, PlannedSwap

from . import chores

Kind = Literal["swap", "rotation", "chore", "order"]


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do.

    ``thing`` is its lasting name: the same after the plan was made anew, even where its day has
    moved. ``due_on`` is a day on the household's calendar. ``url`` leads to the form in which it is
    done; ``log_url`` to the form that writes it into the log, empty where nothing is logged.
    """

    thing: str
    kind: Kind
    title: str
    why: str
    due_on: dt.date
    train: Train | None
    stage: Stage | None
    url: str
    log_url: str
    turn: ChoreTurn | None


def agenda(household: Household, *, today: dt.date, days_ahead: int = 730) -> list[Item]:
    """All that is overdue, due today or due within ``days_ahead`` days, soonest first.

    Reads the plan as it stands: `plan.ensure_all`, called before, keeps it true to what is written
    down.
    """
    until = today + dt.timedelta(days=days_ahead)
    swaps = _planned(household)
    items = [
        *_swaps(swaps, today),
        *_orders(household, swaps),
        *_chores(household, today=today, days_ahead=days_ahead),
    ]
    return sorted(
        (item for item in items if item.due_on <= until), key=lambda i: (i.due_on, i.thing)
    )


def _planned(household: Household) -> list[PlannedSwap]:
    return list(
        PlannedSwap.objects.filter(visit__train__household=household)
        .select_related("visit__train", "stage", "spec")
        .order_by("visit__on", "visit_id", "stage__position", "pk")
    )


def _swaps(swaps: list[PlannedSwap], today: dt.date) -> Iterator[Item]:
    for swap in swaps:
        train = swap.visit.train
        address = log_address(swap)
        yield Item(
            thing=thing_of(swap),
            kind="rotation" if swap.rotation else "swap",
            title=title_of(swap),
            why=why_of(swap),
            due_on=day_of(swap, today=today),
            train=train,
            stage=swap.stage,
            url=address,
            log_url=address,
            turn=None,
        )


def day_of(swap: PlannedSwap, *, today: dt.date) -> dt.date:
    """The day of its visit. Of a visit that is overdue, only what is due by itself is overdue."""
    if swap.visit.on >= today:
        return swap.visit.on
    return max(swap.visit.on, min(swap.due_on, today))


def thing_of(swap: PlannedSwap) -> str:
    """The lasting name of a swap: by what it takes out, or by its number in its stage."""
    if swap.replaces_id is not None:
        return f"swap:stage-{swap.stage_id}:cartridge-{swap.replaces_id}"
    return f"visit:train-{swap.visit.train_id}:stage-{swap.stage_id}-{swap.number}"


def title_of(swap: PlannedSwap) -> str:
    """“Replace the carbon block (stage 2)”."""
    stage = swap.stage
    noun = stage.get_kind_display().lower()
    if swap.rotation:
        return f"Replace the {noun} (stage {stage.position}) and move the next forward"
    thing = noun if stage.is_carbon else f"{noun} cartridge"
    return f"Replace the {thing} (stage {stage.position})"


def why_of(swap: PlannedSwap) -> str:
    """What makes it due, in the middle of a sentence."""
    return str(Cause(swap.cause).label) if swap.cause else ""


def log_address(swap: PlannedSwap) -> str:
    """The form that logs this swap or rotation."""
    kind = "rotation" if swap.rotation else "swap"
    address = reverse("log-fact", args=[swap.visit.train_id, kind])
    return address if swap.rotation else f"{address}?{urlencode({'stage': swap.stage_id})}"


def _orders(household: Household, swaps: list[PlannedSwap]) -> Iterator[Item]:
    """One order for each kind of cartridge and day by which it must be placed.

    It is named by how many of the kind the household will have had by then, so that a moved day
    does not make another order of it, and the one after a purchase is another.
    """
    wanted: dict[tuple[int, dt.date], list[PlannedSwap]] = defaultdict(list)
    for swap in swaps:
        if swap.order_by is not None and not swap.from_shelf:
            wanted[swap.spec_id, swap.order_by].append(swap)
    had = household.cartridges.filter(spec__in={spec for spec, _ in wanted})
    before: dict[int, int] = defaultdict(int)
    before |= dict(had.order_by().values_list("spec").annotate(count=Count("pk")))
    for (spec_id, order_by), some in sorted(wanted.items(), key=lambda pair: pair[0][::-1]):
        first = some[0]
        number = before[spec_id] + 1
        before[spec_id] += len(some)
        yield Item(
            thing=f"order:spec-{spec_id}:{number}",
            kind="order",
            title=f"Order {len(some)} × {first.spec}",
            why=f"needed on {first.visit.on:%-d %b %Y}, and none is left on the shelf",
            due_on=order_by,
            train=first.visit.train,
            stage=first.stage,
            url=f"{reverse('cartridge-buy')}?{urlencode({'spec': spec_id})}",
            log_url="",
            turn=None,
        )


def _chores(household: Household, *, today: dt.date, days_ahead: int) -> Iterator[Item]:
    for turn in chores.due(household, today=today, days_ahead=days_ahead):
        chore = turn.chore
        log_url = chores.log_address(chore)
        yield Item(
            thing=f"chore:{chore.pk}:{turn.due_on}",
            kind="chore",
            title=chore.title,
            why=chore.how,
            due_on=turn.now_due_on,
            train=chore.train,
            stage=None,
            url=log_url or reverse("chores"),
            log_url=log_url,
            turn=turn,
        )
