"""What lies on the shelf, which swap each spare is set aside for, and what to order by when."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict, deque
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby

from cartridges.models import Cartridge, CartridgeSpec
from cartridges.services import placements
from hobbyhydro.households.models import Household
from schedule.models import PlannedSwap, PlanRules

from .costs import Prices, Purchase

SOON = dt.timedelta(days=30)
"""An order that is due within so many days is shown as one to think of."""


def order_by(needed_on: dt.date, *, rules: PlanRules) -> dt.date:
    """The last day to order: the household's lead time and margin before the day of need.

    Whole days of the calendar, so that neither the length of a month nor a change of clocks counts.
    """
    return needed_on - dt.timedelta(days=rules.lead_days + rules.margin_days)


def planned_swaps(household: Household) -> list[PlannedSwap]:
    """Every planned swap in the household, in the order in which spares are given out."""
    return list(
        PlannedSwap.objects.filter(visit__train__household=household)
        .select_related("visit__train", "stage", "spec", "spare")
        .order_by("visit__on", "visit__train_id", "stage__position", "pk")
    )


def allocate(
    swaps: Sequence[PlannedSwap],
    *,
    shelf: Sequence[Cartridge],
    prices: Prices,
    rules: PlanRules,
) -> list[PlannedSwap]:
    """Set the spares aside for these swaps, and say by when to order the rest; those changed.

    The swap that comes first gets the oldest spare of its own kind, in whichever train it is, and
    each spare is used once. Nothing is saved here.
    """
    free: dict[int, deque[Cartridge]] = defaultdict(deque)
    for cartridge in shelf:
        free[cartridge.spec_id].append(cartridge)
    changed = []
    for swap in sorted(swaps, key=lambda s: s.visit.on):
        waiting = free[swap.spec_id]
        spare = waiting.popleft() if waiting else None
        last_day = None if spare else order_by(swap.visit.on, rules=rules)
        wanted = (spare.pk if spare else None, spare is not None, last_day, prices.of(swap.spec_id))
        if wanted != (swap.spare_id, swap.from_shelf, swap.order_by, swap.price):
            swap.spare_id, swap.from_shelf, swap.order_by, swap.price = wanted
            changed.append(swap)
    return changed


ALLOCATED = ["spare", "from_shelf", "order_by", "price"]
"""The fields that `allocate` sets."""


@dataclass(frozen=True, slots=True)
class Order:
    """So many of a kind that must be there on a day, and ordered by another."""

    count: int
    needed_on: dt.date
    order_by: dt.date


@dataclass(frozen=True, slots=True)
class KindOfSpare:
    """One kind of cartridge: its spares, where the plan uses it, what to order, what it cost.

    ``set_aside`` are the spares with the swap that each is for, ``over`` those that no swap within
    the plan needs.
    """

    spec: CartridgeSpec
    shelf: tuple[Cartridge, ...]
    set_aside: tuple[tuple[Cartridge, PlannedSwap], ...]
    over: tuple[Cartridge, ...]
    swaps: tuple[PlannedSwap, ...]
    orders: tuple[Order, ...]
    purchases: tuple[Purchase, ...]
    price: Decimal | None
    price_is_paid: bool

    @property
    def next_order(self) -> Order | None:
        return self.orders[0] if self.orders else None


def kinds_of_spares(
    swaps: Sequence[PlannedSwap], *, shelf: Sequence[Cartridge], prices: Prices
) -> list[KindOfSpare]:
    """Each kind that the plan uses or that lies on the shelf, the one to order first in front."""
    by_spec: dict[CartridgeSpec, list[PlannedSwap]] = defaultdict(list)
    spares: dict[CartridgeSpec, list[Cartridge]] = defaultdict(list)
    for swap in swaps:
        by_spec[swap.spec].append(swap)
    for cartridge in shelf:
        spares[cartridge.spec].append(cartridge)
    found = [
        _kind(spec, by_spec.get(spec, []), spares.get(spec, []), prices)
        for spec in {*by_spec, *spares}
    ]
    never = dt.date.max
    return sorted(
        found,
        key=lambda k: (k.next_order.order_by if k.next_order else never, k.spec.name, k.spec.pk),
    )


def _kind(
    spec: CartridgeSpec, swaps: list[PlannedSwap], shelf: list[Cartridge], prices: Prices
) -> KindOfSpare:
    use = {swap.spare_id: swap for swap in swaps if swap.spare_id is not None}
    return KindOfSpare(
        spec=spec,
        shelf=tuple(shelf),
        set_aside=tuple((c, use[c.pk]) for c in shelf if c.pk in use),
        over=tuple(c for c in shelf if c.pk not in use),
        swaps=tuple(swaps),
        orders=tuple(orders(swaps)),
        purchases=prices.history.get(spec.pk, ())[::-1],
        price=prices.of(spec.pk),
        price_is_paid=spec.pk in prices.paid,
    )


def orders(swaps: Sequence[PlannedSwap]) -> list[Order]:
    """What to order of one kind, by the day of need; what lies on the shelf is not ordered."""
    wanted = [s for s in sorted(swaps, key=lambda s: s.visit.on) if s.order_by is not None]
    found = []
    for on, some in groupby(wanted, key=lambda s: s.visit.on):
        group = list(some)
        last_day = group[0].order_by
        assert last_day is not None  # those without were left out
        found.append(Order(count=len(group), needed_on=on, order_by=last_day))
    return found


def unpriced(household: Household) -> list[CartridgeSpec]:
    """The kinds that the household has, none of which was ever bought at a price. One query."""
    paid = Cartridge.objects.filter(household=household, price__isnull=False)
    has = Cartridge.objects.filter(household=household, discarded_at__isnull=True)
    return list(
        CartridgeSpec.objects.filter(pk__in=has.values("spec"))
        .exclude(pk__in=paid.values("spec"))
        .order_by("kind", "name", "pk")
    )


def on_the_shelf(household: Household) -> list[Cartridge]:
    """The spares, oldest first. One query."""
    return placements.shelf(household)
