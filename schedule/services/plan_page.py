"""What the plan's page shows: its visits, what both policies come to, and what to be told first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Any

from cartridges.models import Train
from cartridges.services.advice import CHANCES
from hobbyhydro.households.models import Household
from hobbyhydro.households.units import in_words
from schedule.models import PlannedSwap, PlannedVisit, PlanSummary

from .agenda import day_of, title_of, why_of
from .costs import in_money

POLICY_NAMES = {Train.Policy.LEAD_LAG: "lead–lag", Train.Policy.SAME_DAY: "same day"}


@dataclass(frozen=True, slots=True)
class SwapShown:
    """One new cartridge. ``early_days``: so much sooner than it would be due by itself."""

    swap: PlannedSwap
    title: str
    why: str
    early_days: int
    unused_percent: int | None
    order_is_late: bool


@dataclass(frozen=True, slots=True)
class VisitShown:
    """One visit; ``cost`` is that of priced cartridges, ``unpriced`` counts the others."""

    visit: PlannedVisit
    swaps: tuple[SwapShown, ...]
    cost: Decimal | None
    unpriced: int
    is_due: bool


def visits_of(train: Train, *, today: dt.date) -> list[VisitShown]:
    """The visits of the plan, soonest first. One query, however many there are."""
    rows = (
        PlannedSwap.objects.filter(visit__train=train)
        .select_related("visit", "stage", "spec", "spare")
        .order_by("visit__on", "visit_id", "stage__position", "pk")
    )
    found = []
    for _, some in groupby(rows, key=lambda s: s.visit_id):
        swaps = list(some)
        priced = [s.price for s in swaps if s.price is not None]
        found.append(
            VisitShown(
                visit=swaps[0].visit,
                swaps=tuple(_shown(swap, today=today) for swap in swaps),
                cost=sum(priced, Decimal(0)) if priced else None,
                unpriced=len(swaps) - len(priced),
                is_due=swaps[0].visit.on <= today,
            )
        )
    return found


def _shown(swap: PlannedSwap, *, today: dt.date) -> SwapShown:
    return SwapShown(
        swap=swap,
        title=title_of(swap),
        why=why_of(swap),
        early_days=(swap.due_on - day_of(swap, today=today)).days,
        unused_percent=None if swap.unused is None else round(100 * swap.unused),
        order_is_late=swap.order_by is not None and swap.order_by < today,
    )


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both policies side by side, a year on average: head and rows of a table, and what differs."""

    other: str
    other_name: str
    head: tuple[str, str, str]
    rows: tuple[tuple[str, str, str], ...]
    says: str


def comparison(
    train: Train, summary: PlanSummary, *, currency: str, units: str
) -> Comparison | None:
    """The train's own policy first; None where nothing could be planned."""
    bills = summary.details.get("policies") or {}
    other = (
        Train.Policy.SAME_DAY if train.policy == Train.Policy.LEAD_LAG else Train.Policy.LEAD_LAG
    )
    if train.policy not in bills or other not in bills:
        return None
    own, its = bills[train.policy], bills[other]
    columns = [_column(found, currency=currency, units=units) for found in (own, its)]
    names = [POLICY_NAMES[Train.Policy(train.policy)], POLICY_NAMES[other]]
    return Comparison(
        other=other,
        other_name=names[1],
        head=("A year, on average", f"{names[0].capitalize()} (yours)", names[1].capitalize()),
        rows=tuple(zip(LINES, *columns, strict=True)),
        says=_difference(own, its, names[1].capitalize(), currency=currency),
    )


LINES = ("Visits", "New cartridges", "Cartridges", "Water", "Drain", "In all")


def _column(found: dict[str, Any], *, currency: str, units: str) -> tuple[str, ...]:
    litres = in_words(found["litres_a_year"], quantity="volume", units=units, decimals=0)
    known = found["unpriced"] < found["cartridges"] or not found["cartridges"]
    missing = f"{found['unpriced']} of {found['cartridges']} with no known price"
    cartridges = in_money(found["cartridges_cost"], currency) if known else "price not known"
    whole = in_money(found["total_cost"], currency)
    return (
        _few(found["visits_a_year"]),
        _few(found["cartridges_a_year"]),
        f"at least {cartridges} ({missing})" if known and found["unpriced"] else cartridges,
        f"{in_money(found['water_cost'], currency)} for {litres}",
        in_money(found["drain_cost"], currency),
        f"at least {whole}" if found["unpriced"] else whole,
    )


def _few(number: str) -> str:
    return f"{Decimal(number):.1f}"


def _difference(own: dict[str, Any], its: dict[str, Any], name: str, *, currency: str) -> str:
    """“Same day would cost 12.00 USD more a year and take 1.5 fewer visits.”"""
    same = all(own[k] == its[k] for k in ("visits", "by_spec", "total_cost"))
    if same:
        return "Both policies come to the same here."
    if own["unpriced"] or its["unpriced"]:
        said = "use " + _more(own, its, "cartridges_a_year", "new cartridges")
    else:
        money = Decimal(its["total_cost"]) - Decimal(own["total_cost"])
        amount = in_money(abs(money), currency)
        said = f"cost {amount} {'more' if money > 0 else 'less'}" if money else "cost the same"
    return f"{name} would {said} a year, and take {_more(own, its, 'visits_a_year', 'visits')}."


def _more(own: dict[str, Any], its: dict[str, Any], key: str, noun: str) -> str:
    """“1.5 fewer visits”, or “as many visits” where a tenth would not show it."""
    difference = Decimal(its[key]) - Decimal(own[key])
    if abs(difference) < Decimal("0.05"):
        return f"as many {noun}"
    return f"{abs(difference):.1f} {'more' if difference > 0 else 'fewer'} {noun}"


def caution(household: Household) -> str:
    """What the household's caution means for the plan, in one sentence."""
    chance = CHANCES[household.plan_by]
    return (
        f"Each swap is planned for the day by which {chance} modelled outcomes has reached its "
        "limit: planned later, less is thrown away unused and more can go wrong."
    )


def unheld_periods(summary: PlanSummary) -> list[tuple[dt.date, dt.date]]:
    """The periods in which even new cartridges cannot hold the limit."""
    return [
        (dt.date.fromisoformat(first), dt.date.fromisoformat(last))
        for first, last in summary.details.get("unheld", [])
    ]


def cut_off_on(summary: PlanSummary) -> dt.date | None:
    """The last day that the plan knows of, where it had to be cut off before its end."""
    until = summary.details.get("until_on")
    if not until:
        return None
    day = dt.date.fromisoformat(until)
    return day if (summary.horizon_on - day).days > 1 else None


def first_order(visits: Sequence[VisitShown]) -> PlannedSwap | None:
    """The swap whose cartridge must be ordered first; None where nothing must."""
    waiting = [s.swap for v in visits for s in v.swaps if s.swap.order_by is not None]
    return min(waiting, key=lambda s: s.order_by or dt.date.max, default=None)
