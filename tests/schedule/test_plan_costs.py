"""Money: how it is written, which price counts, and what a plan comes to."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from cartridges.models import CartridgeSpec
from cartridges.services import acts
from hobbyhydro.households.models import Household
from schedule.models import PlanRules
from schedule.services import costs

A_YEAR = 365.25 / 730


@pytest.fixture
def block(db: None) -> CartridgeSpec:
    return CartridgeSpec.objects.get(starter_key="block-slim")


@pytest.fixture
def rules(household: Household) -> PlanRules:
    return PlanRules(
        household=household, water_price_m3=Decimal("1.5"), drain_price_m3=Decimal("2.25")
    )


@pytest.mark.parametrize(
    ("amount", "currency", "written"),
    [
        (Decimal("24.9"), "USD", "24.90 USD"),
        (Decimal("1234.5"), "EUR", "1,234.50 EUR"),
        (Decimal("0"), "GBP", "0.00 GBP"),
        (Decimal("2.005"), "USD", "2.01 USD"),  # half up, not to even
        (Decimal("2400.4"), "JPY", "2,400 JPY"),  # the yen has no minor unit (ISO 4217)
        ("3.2", "CHF", "3.20 CHF"),
        (None, "USD", "–"),
    ],
)
def test_money_is_written_with_its_currency(
    amount: Decimal | str | None, currency: str, written: str
) -> None:
    assert costs.in_money(amount, currency).replace("\xa0", " ") == written


def buy(
    household: Household, spec: CartridgeSpec, price: str | None, on: str | None, count: int = 1
) -> None:
    acts.buy(
        household=household,
        spec=spec,
        count=count,
        price=None if price is None else Decimal(price),
        bought_on=None if on is None else dt.date.fromisoformat(on),
    )


@pytest.mark.parametrize(
    ("bought", "price"),
    [
        ([("20", "2026-01-05"), ("22", "2026-03-05")], "22"),
        ([("22", "2026-03-05"), ("20", "2026-01-05")], "22"),  # the older one entered later
        ([("20", "2026-01-05"), (None, "2026-03-05")], "20"),
        ([("20", "2026-01-05"), ("25", None)], "25"),
        ([("20", "2026-03-05"), ("21", "2026-03-05")], "21"),
        ([("0", "2026-03-05")], "0"),  # a gift is a price
    ],
)
def test_the_last_price_paid_counts(
    household: Household,
    block: CartridgeSpec,
    rules: PlanRules,
    bought: list[tuple[str | None, str | None]],
    price: str,
) -> None:
    for paid, on in bought:
        buy(household, block, paid, on)
    assert costs.prices(household, rules).of(block.pk) == Decimal(price)


def test_an_expected_price_stands_in_until_one_is_paid(
    household: Household, block: CartridgeSpec, rules: PlanRules
) -> None:
    assert costs.prices(household, rules).of(block.pk) is None
    rules.expected_prices = {str(block.pk): "31.00"}
    assert costs.prices(household, rules).of(block.pk) == Decimal("31.00")
    buy(household, block, "28", "2026-02-01")
    assert costs.prices(household, rules).of(block.pk) == Decimal("28")


def test_another_households_prices_do_not_count(
    household: Household, block: CartridgeSpec, rules: PlanRules, stranger: object
) -> None:
    buy(Household.objects.get(name="Elsewhere"), block, "99", "2026-02-01")
    assert costs.prices(household, rules).of(block.pk) is None


def test_purchases_are_told_together(
    household: Household, block: CartridgeSpec, rules: PlanRules
) -> None:
    buy(household, block, "20", "2026-01-05", count=3)
    buy(household, block, "22", None)
    [first, second] = costs.prices(household, rules).history[block.pk]
    assert (first.on, first.count, first.price) == (dt.date(2026, 1, 5), 3, Decimal(20))
    assert (second.on, second.count, second.price) == (None, 1, Decimal(22))


def test_a_bill_is_litres_by_price_and_cartridges_by_theirs(
    household: Household, block: CartridgeSpec, rules: PlanRules
) -> None:
    """100,000 L are 100 m³; with 4 × 11 L of flushing 100.044 m³, at 1.50 and 2.25."""
    buy(household, block, "30", "2026-02-01")
    block.flush_volume_l = 11.0
    found = costs.bill(
        specs=[block] * 4,
        prices=costs.prices(household, rules),
        rules=rules,
        days=730,
        visits=3,
        litres=100_000.0,
    ).as_json()
    assert float(str(found["cartridges_cost"])) == pytest.approx(120 * A_YEAR, abs=0.00501)
    assert float(str(found["water_cost"])) == pytest.approx(150.066 * A_YEAR, abs=0.00501)
    assert float(str(found["drain_cost"])) == pytest.approx(225.099 * A_YEAR, abs=0.00501)
    parts = ("cartridges_cost", "water_cost", "drain_cost")
    assert Decimal(str(found["total_cost"])) == sum(Decimal(str(found[part])) for part in parts)
    assert found["unpriced"] == 0


def test_a_bill_says_what_has_no_price(
    household: Household, block: CartridgeSpec, rules: PlanRules
) -> None:
    sediment = CartridgeSpec.objects.get(starter_key="sediment-5-slim")
    buy(household, block, "30", "2026-02-01")
    found = costs.bill(
        specs=[block, sediment, sediment],
        prices=costs.prices(household, rules),
        rules=rules,
        days=730,
        visits=3,
        litres=0.0,
    )
    assert (found.count, found.unpriced, found.cartridges_cost) == (3, 2, Decimal(30))
