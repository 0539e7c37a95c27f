"""On which days each chore falls, as it follows from its rule, the swaps, the utility's switches
and the estimates."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import Count, Exists, OuterRef, Q

from cartridges.models import (
    CARBON_KINDS,
    Estimate,
    Fitting,
    Meter,
    Stage,
    SwitchPeriod,
    Train,
)
from hobbyhydro.households.models import Household
from schedule.models import Chore, PlannedSwap
from schedule.starter_chores import FLUSH

from . import recurrence

ONE_DAY = dt.timedelta(days=1)
NEW_WATER = dt.timedelta(days=30)
"""How long a change of disinfectant for good is new. Our own judgement."""

LAST_SHARE = 0.1
"""The last tenth of a cartridge's life, in which the test comes daily."""

Span = tuple[dt.date, dt.date]


@dataclass(frozen=True, slots=True)
class Swap:
    """A day on which a cartridge went in; ``new_carbon`` where it was carbon never used before."""

    on: dt.date
    new_carbon: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """What the days of a household's chores rest on, on its own calendar.

    ``switches`` and ``last_tenths`` hold first and last days by train; a last tenth ends with the
    day that the swap is planned for, or goes on until today where that has passed.
    """

    today: dt.date
    trains: list[Train] = field(default_factory=list)
    swaps: dict[int, list[Swap]] = field(default_factory=lambda: defaultdict(list))
    switches: dict[int, list[Span]] = field(default_factory=lambda: defaultdict(list))
    last_tenths: dict[int, Span] = field(default_factory=dict)

    def of(self, chore: Chore) -> list[int]:
        """The trains that the chore is about: its own, or all of the household."""
        return [t.pk for t in self.trains] if chore.train_id is None else [chore.train_id]


def day_in(household: Household, moment: dt.datetime) -> dt.date:
    """The household's calendar day of a moment."""
    return moment.astimezone(household.zone).date()


def gather(household: Household, *, today: dt.date) -> Facts:
    """Read the facts. Five queries, however much is kept."""
    carbon = Q(stages__retired_at__isnull=True, stages__kind__in=CARBON_KINDS)
    meters = Meter.objects.filter(train=OuterRef("pk"), withdrawn_at__isnull=True)
    trains = household.trains.filter(set_up_at__isnull=False).annotate(
        carbons=Count("stages", filter=carbon, distinct=True), metered=Exists(meters)
    )
    facts = Facts(today=today, trains=list(trains))
    fittings = list(
        Fitting.objects.standing()
        .filter(train__household=household)
        .select_related("stage", "cartridge__spec")
        .in_order()
    )
    _read_swaps(facts, household, fittings)
    _read_switches(facts, household)
    _read_last_tenths(facts, household, fittings)
    return facts


def _read_swaps(facts: Facts, household: Household, fittings: list[Fitting]) -> None:
    used: set[int] = set()
    for fitting in fittings:
        cartridge = fitting.cartridge
        if cartridge is None:
            continue
        new_carbon = cartridge.spec.is_carbon and cartridge.pk not in used
        used.add(cartridge.pk)
        swap = Swap(day_in(household, fitting.at), new_carbon)
        facts.swaps[fitting.train_id].append(swap)


def _read_switches(facts: Facts, household: Household) -> None:
    spans: dict[int, list[Span]] = defaultdict(list)
    rows = SwitchPeriod.rows().standing().filter(source__household=household).in_order()
    for row in rows:
        # After a change for good, daily tests are asked for while it is new.
        until = row.at + NEW_WATER if row.is_for_good else row.until
        span = (day_in(household, row.at), day_in(household, until))
        spans[row.source_id].append(span)
    for train in facts.trains:
        facts.switches[train.pk] = spans[train.source_id]


def _read_last_tenths(facts: Facts, household: Household, fittings: list[Fitting]) -> None:
    """The last tenth of the first carbon of each train, from its very first fitting until the day
    that the plan (or, where there is none yet, the estimate) asks for its swap."""
    first_on: dict[int, dt.date] = {}
    now_in: dict[int, tuple[Stage, int | None]] = {}
    for fitting in fittings:
        if fitting.cartridge_id is not None:
            first_on.setdefault(fitting.cartridge_id, day_in(household, fitting.at))
        now_in[fitting.stage_id] = (fitting.stage, fitting.cartridge_id)
    firsts: dict[int, tuple[Stage, int | None]] = {}
    for stage, cartridge in now_in.values():
        lead = firsts.get(stage.train_id)
        if (
            stage.is_carbon
            and stage.retired_at is None
            and (lead is None or stage.position < lead[0].position)
        ):
            firsts[stage.train_id] = (stage, cartridge)
    planned = _planned(household)
    for train, (stage, cartridge) in firsts.items():
        day = planned.get((stage.pk, cartridge))
        if cartridge is None or day is None:
            continue
        life = max(day - first_on[cartridge], dt.timedelta(0))
        facts.last_tenths[train] = (day - LAST_SHARE * life, max(day, facts.today))


def _planned(household: Household) -> dict[tuple[int, int | None], dt.date]:
    """The day by which each cartridge at work is to be swapped, by stage and cartridge."""
    found: dict[tuple[int, int | None], dt.date] = {}
    estimates = Estimate.objects.filter(train__household=household, planned_at__isnull=False)
    for stage, cartridge, moment in estimates.values_list("stage", "cartridge", "planned_at"):
        if moment is not None:
            found[stage, cartridge] = day_in(household, moment)
    swaps = PlannedSwap.objects.filter(visit__train__household=household, replaces__isnull=False)
    for stage, cartridge, day in swaps.values_list("stage", "replaces", "due_on"):
        found[stage, cartridge] = day
    return found


def days(chore: Chore, facts: Facts, *, first: dt.date, last: dt.date) -> list[dt.date]:
    """The days of a chore from ``first`` to ``last``, both included, in order.

    Of switches and last tenths only those that are not over: what was missed in one that is over
    can no longer be done.
    """
    first = max(first, chore.start)
    if first > last:
        return []
    if chore.occasion == Chore.Occasion.INTERVAL:
        return recurrence.days(chore.rule, start=chore.start, first=first, last=last)
    if chore.occasion == Chore.Occasion.SWAP:
        found = {
            swap.on
            for train in facts.of(chore)
            for swap in facts.swaps.get(train, ())
            if first <= swap.on <= last and (swap.new_carbon or chore.starter_key != FLUSH)
        }
        return sorted(found)
    spans = [span for span in _spans(chore, facts) if span[1] >= facts.today]
    found = set()
    for begins, ends in spans:
        day = max(begins, first)
        while day <= min(ends, last):
            found.add(day)
            day += ONE_DAY
    return sorted(found)


def _spans(chore: Chore, facts: Facts) -> list[Span]:
    trains = facts.of(chore)
    if chore.occasion == Chore.Occasion.SWITCH:
        return [span for train in trains for span in facts.switches.get(train, ())]
    return [facts.last_tenths[train] for train in trains if train in facts.last_tenths]
