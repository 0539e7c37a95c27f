"""Swaps that fall close together, brought onto one visit where that wastes less than it saves."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from .plan_data import Renewal, Visit

SAME_MOMENT_DAYS = 1e-9
"""Groups whose days differ by no more than this, the error of adding them up, are due together."""


@dataclass(slots=True)
class _Group:
    """The renewals of one group still to come, moment by moment, and how much earlier they are."""

    moments: list[tuple[Renewal, ...]]
    earlier_days: float = 0.0

    @property
    def due_day(self) -> float:
        return self.moments[0][0].day - self.earlier_days if self.moments else math.inf

    def take(self, *, on_day: float) -> tuple[Renewal, ...]:
        """The next moment's renewals, due by themselves on due_day and made on on_day."""
        due = self.due_day
        if due - on_day > SAME_MOMENT_DAYS:
            self.earlier_days += due - on_day
        return tuple(replace(one, day=due) for one in self.moments.pop(0))


def merge_visits(
    renewals: Iterable[Renewal], *, price_of: Mapping[str, float], visit_cost: float
) -> tuple[Visit, ...]:
    """The visits on which the renewals are made, in time order.

    Each visit falls on the day on which the first of its renewals is due. Then the renewals due
    next, of other groups, come forward to it as long as the value of the life they throw away is
    less than visit_cost: the sum of price x min(1, days brought forward / life_days). What is due
    at one moment comes forward as a whole or stays; renewals of one group at one moment are never
    parted; nothing is ever put off. A group that came forward is due as much earlier from then on.

    price_of: price of a new cartridge by medium key, not negative, in the currency of visit_cost; a
    medium that is missing has no known price and is never brought forward. visit_cost: what it is
    worth to make one visit less, not negative, finite. Anything else raises ValueError.
    Times are compared as they are given: for visits on whole days, give whole days.
    """
    if not (math.isfinite(visit_cost) and visit_cost >= 0.0):
        raise ValueError("the cost of a visit must be a number, not negative")
    for key, price in price_of.items():
        if not (math.isfinite(price) and price >= 0.0):
            raise ValueError(f"the price of {key} must be a number, not negative")
    groups = _groups(renewals)
    visits: list[Visit] = []
    while any(group.moments for group in groups.values()):
        day = min(group.due_day for group in groups.values())
        taken = _due_by(groups, day)
        made = [one for number in taken for one in groups[number].take(on_day=day)]
        wasted = saved = 0.0
        while True:
            later = min((group.due_day for group in groups.values()), default=math.inf)
            bundle = _due_by(groups, later)
            if not math.isfinite(later) or taken & bundle:
                break
            waste = sum(
                _value_lost(one, later - day, price_of)
                for number in bundle
                for one in groups[number].moments[0]
            )
            if not waste < visit_cost:
                break
            made += [one for number in bundle for one in groups[number].take(on_day=day)]
            taken |= bundle
            wasted, saved = wasted + waste, saved + visit_cost
        made.sort(key=lambda one: (one.stage, one.day))
        visits.append(Visit(day, tuple(made), wasted, saved, brought_together=saved > 0.0))
    return tuple(visits)


def _groups(renewals: Iterable[Renewal]) -> dict[int, _Group]:
    groups: dict[int, _Group] = {}
    for one in sorted(renewals, key=lambda each: (each.day, each.stage)):
        moments = groups.setdefault(one.group, _Group([])).moments
        if moments and one.day == moments[-1][0].day:
            moments[-1] = (*moments[-1], one)
        else:
            moments.append((one,))
    return groups


def _due_by(groups: dict[int, _Group], day: float) -> set[int]:
    return {number for number, group in groups.items() if group.due_day <= day + SAME_MOMENT_DAYS}


def _value_lost(one: Renewal, early_days: float, price_of: Mapping[str, float]) -> float:
    price = price_of.get(one.medium_key, math.inf)
    if price == 0.0:
        return 0.0
    share = min(1.0, early_days / one.life_days) if one.life_days > 0.0 else 1.0
    return price * share
