"""What a plan costs a year: cartridges at the price last paid, water and drain by the litre."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from cartridges.models import Cartridge, CartridgeSpec
from hobbyhydro.households.models import Household
from schedule.models import PlanRules

DAYS_PER_YEAR = Decimal("365.25")
L_PER_M3 = Decimal(1000)
WITHOUT_CENTS = frozenset({"JPY"})
CENT = Decimal("0.01")


def in_money(amount: Decimal | float | str | None, currency: str) -> str:
    """“1,234.50 USD”: the amount rounded to what is paid in, half up, then the currency's code.

    An en dash stands where there is none.
    """
    if amount is None:
        return "–"
    places = 0 if currency in WITHOUT_CENTS else 2
    rounded = Decimal(amount).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return f"{rounded:,.{places}f}\u00a0{currency}"


def rules_of(household: Household) -> PlanRules:
    """The household's rules; those that stand when none were written down are not saved."""
    found = PlanRules.objects.filter(household=household).first()
    return found or PlanRules(household=household)


def keep_rules(rules: PlanRules, values: dict[str, Any]) -> None:
    """Write the household's rules down. The plans follow: they rest on a digest of them."""
    PlanRules.objects.update_or_create(household=rules.household, defaults=values)


@dataclass(frozen=True, slots=True)
class Purchase:
    """Cartridges of one kind that were bought together: when (if known), how many, at what each."""

    on: dt.date | None
    count: int
    price: Decimal


@dataclass(frozen=True, slots=True)
class Prices:
    """What a cartridge of each kind costs, by the kind's primary key."""

    paid: dict[int, Decimal]
    expected: dict[int, Decimal]
    history: dict[int, tuple[Purchase, ...]]

    def of(self, spec_id: int) -> Decimal | None:
        """The last price paid, else the one the keeper expects; None where there is neither."""
        return self.paid.get(spec_id, self.expected.get(spec_id))


def prices(household: Household, rules: PlanRules) -> Prices:
    """Every price that is written down. One query."""
    rows = household.cartridges.filter(price__isnull=False).order_by("number")
    bought: dict[int, list[Cartridge]] = defaultdict(list)
    for cartridge in rows:
        bought[cartridge.spec_id].append(cartridge)
    history = {spec: tuple(_purchases(some)) for spec, some in bought.items()}
    return Prices(
        paid={spec: some[-1].price for spec, some in history.items()},
        expected={int(spec): Decimal(price) for spec, price in rules.expected_prices.items()},
        history=history,
    )


def _purchases(cartridges: Sequence[Cartridge]) -> list[Purchase]:
    """Purchases in the order of their days; one without a day comes after those entered before."""
    dated: dict[tuple[dt.date, bool, Decimal], int] = defaultdict(int)
    latest = dt.date.min
    for cartridge in cartridges:
        day = cartridge.bought_on or latest
        latest = max(latest, day)
        assert cartridge.price is not None  # the query asks for priced ones
        dated[day, cartridge.bought_on is None, cartridge.price] += 1
    inserted = list(dated.items())
    inserted.sort(key=lambda item: item[0][0])  # stable: of one day, the later entry comes last
    return [
        Purchase(None if undated else day, count, price)
        for (day, undated, price), count in inserted
    ]


@dataclass(frozen=True, slots=True)
class Bill:
    """What one policy uses and costs over the days of a plan, and a year on average.

    ``cartridges`` holds, for each kind, how many and at what price each (None: not known).
    """

    days: int
    visits: int
    cartridges: tuple[tuple[int, int, Decimal | None], ...]
    litres: float
    flush_l: float
    rules: PlanRules

    @property
    def count(self) -> int:
        return sum(count for _, count, _ in self.cartridges)

    @property
    def unpriced(self) -> int:
        """Cartridges whose price is not known."""
        return sum(count for _, count, price in self.cartridges if price is None)

    @property
    def cartridges_cost(self) -> Decimal:
        """Of those whose price is known."""
        return sum((count * p for _, count, p in self.cartridges if p is not None), Decimal(0))

    @property
    def water_l(self) -> float:
        """Through the train, and to flush new cartridges."""
        return self.litres + self.flush_l

    @property
    def water_cost(self) -> Decimal:
        """1 m³ = 1000 L."""
        return Decimal(self.water_l) / L_PER_M3 * self.rules.water_price_m3

    @property
    def drain_cost(self) -> Decimal:
        return Decimal(self.water_l) / L_PER_M3 * self.rules.drain_price_m3

    def a_year(self, whole: Decimal | float | int) -> Decimal:
        return Decimal(whole) * DAYS_PER_YEAR / Decimal(self.days)

    def as_json(self) -> dict[str, object]:
        """What the summary keeps: money as text, a year on average unless it is named otherwise."""
        cartridges, water, drain = (
            self.a_year(cost).quantize(CENT, ROUND_HALF_UP)
            for cost in (self.cartridges_cost, self.water_cost, self.drain_cost)
        )  # rounded first, so that what is shown adds up
        visits = self.a_year(self.visits)
        return {
            "visits": self.visits,
            "cartridges": self.count,
            "unpriced": self.unpriced,
            "by_spec": {str(spec): count for spec, count, _ in self.cartridges},
            "litres": self.litres,
            "flush_l": self.flush_l,
            "visits_a_year": _text(visits),
            "cartridges_a_year": _text(self.a_year(self.count)),
            "litres_a_year": float(self.a_year(self.water_l)),
            "cartridges_cost": _text(cartridges),
            "water_cost": _text(water),
            "drain_cost": _text(drain),
            "total_cost": _text(cartridges + water + drain),
            "visits_worth": _text(visits * self.rules.visit_cost),
        }


def bill(
    *,
    specs: Iterable[CartridgeSpec],
    prices: Prices,
    rules: PlanRules,
    days: int,
    visits: int,
    litres: float,
) -> Bill:
    """What these new cartridges and so many litres come to."""
    counts: dict[int, int] = defaultdict(int)
    flush_l = 0.0
    for spec in specs:
        counts[spec.pk] += 1
        flush_l += spec.flush_volume_l or 0.0
    return Bill(
        days=days,
        visits=visits,
        cartridges=tuple((pk, count, prices.of(pk)) for pk, count in counts.items()),
        litres=litres,
        flush_l=flush_l,
        rules=rules,
    )


def _text(value: Decimal) -> str:
    return str(value.quantize(CENT, ROUND_HALF_UP))
