"""Lead times and prices."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from cartridges.models import Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, User
from schedule.models import PlanRules
from tests.cartridges.setup_answers import says, shows

from .planned import kind_in

RULES = {
    "lead_days": "5",
    "margin_days": "2",
    "visit_cost": "7.50",
    "water_price": "4.00",
    "drain_price": "6.00",
}
NO_AMOUNTS = ["-1", "1e9", "nan", "inf", "-inf", "dear", "1.2.3", "100000"]
NO_DAYS = ["", "-1", "366", "1e9", "nan", "inf", "1.5", "soon"]


def save(client: Client, **changes: str) -> Any:
    return client.post("/household/plan/", {**RULES, **changes})


@pytest.fixture
def metric(keeper: User) -> User:
    keeper.units = User.Units.METRIC
    keeper.save()
    return keeper


def test_works(as_keeper: Client, household: Household, metric: User) -> None:
    assert as_keeper.get("/household/plan/").status_code == 200
    assert save(as_keeper).headers["Location"] == "/spares/"
    rules = PlanRules.objects.get(household=household)
    assert (rules.lead_days, rules.margin_days) == (5, 2)
    assert (rules.visit_cost, rules.water_price_m3, rules.drain_price_m3) == (
        Decimal("7.50"), Decimal(4), Decimal(6),
    )  # fmt: skip
    again = as_keeper.get("/household/plan/")
    assert shows(again, "water_price", "4.00") and shows(again, "lead_days", "5")


def test_prices_water_by_a_thousand_gallons(as_keeper: Client, household: Household) -> None:
    """1 US gal = 3.785 411 784 L (NIST SP 811), so 4.00 per 1,000 gal is 1.0567 per m³."""
    save(as_keeper)
    rules = PlanRules.objects.get(household=household)
    assert float(rules.water_price_m3) == pytest.approx(4 / 3.785411784, abs=0.0005)
    kept = (rules.water_price_m3, rules.drain_price_m3)
    page = as_keeper.get("/household/plan/")
    assert shows(page, "water_price", "4.00") and shows(page, "drain_price", "6.00")
    save(as_keeper, lead_days="9")
    rules.refresh_from_db()
    assert (rules.water_price_m3, rules.drain_price_m3) == kept, "a box left alone keeps its digits"


def test_takes_a_decimal_comma(as_keeper: Client, household: Household, metric: User) -> None:
    save(as_keeper, visit_cost="7,50", water_price="1,234")
    rules = PlanRules.objects.get(household=household)
    assert rules.visit_cost == Decimal("7.50")
    assert rules.water_price_m3 == Decimal("1.234") or rules.water_price_m3 == 1234


def test_asks_only_for_prices_that_nothing_was_bought_at(
    as_keeper: Client, household: Household, train: Train
) -> None:
    block, sediment = kind_in(train, 2), kind_in(train, 1)
    save(as_keeper, **{f"price_{block.pk}": "31.00"})
    rules = PlanRules.objects.get(household=household)
    assert rules.expected_prices == {str(block.pk): "31.00"}
    acts.buy(household=household, spec=block, price=Decimal(29))
    names = list(as_keeper.get("/household/plan/").context["form"].fields)
    assert f"price_{block.pk}" not in names and f"price_{sediment.pk}" in names
    save(as_keeper)
    rules.refresh_from_db()
    assert rules.expected_prices == {str(block.pk): "31.00"}, "kept, though not asked for"


def test_an_expected_price_can_be_taken_back(
    as_keeper: Client, household: Household, train: Train
) -> None:
    name = f"price_{kind_in(train, 2).pk}"
    save(as_keeper, **{name: "31.00"})
    save(as_keeper, **{name: ""})
    assert PlanRules.objects.get(household=household).expected_prices == {}


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        *(("lead_days", t) for t in NO_DAYS),
        *(("margin_days", t) for t in NO_DAYS),
        *(("visit_cost", t) for t in [*NO_AMOUNTS, "", "1.999"]),
        *(("water_price", t) for t in [*NO_AMOUNTS, ""]),
        *(("drain_price", t) for t in [*NO_AMOUNTS, ""]),
    ],
)
def test_keeps_what_was_typed(
    as_keeper: Client, household: Household, field: str, typed: str
) -> None:
    answer = save(as_keeper, **{field: typed})
    assert says(answer, field)
    assert typed == "" or shows(answer, field, typed)
    other = "margin_days" if field == "lead_days" else "lead_days"
    assert shows(answer, other, RULES[other])
    assert not PlanRules.objects.exists(), "nothing half-saved"


@pytest.mark.parametrize("typed", NO_AMOUNTS)
def test_keeps_what_was_typed_for_a_kind(as_keeper: Client, train: Train, typed: str) -> None:
    name = f"price_{kind_in(train, 2).pk}"
    answer = save(as_keeper, **{name: typed})
    assert says(answer, name)
    assert shows(answer, name, typed)


def test_goes_back_to_the_plan(as_keeper: Client, train: Train) -> None:
    back = f"/trains/{train.pk}/plan/"
    page = as_keeper.get(f"/household/plan/?back={back}")
    assert f'value="{back}"' in page.content.decode()
    assert save(as_keeper, back=back).headers["Location"] == back
    assert save(as_keeper, back="//elsewhere.example/").headers["Location"] == "/spares/"


def test_needs_keeper(as_viewer: Client) -> None:
    assert as_viewer.get("/household/plan/").status_code == 403
    assert save(as_viewer).status_code == 403
    assert not PlanRules.objects.exists()


def test_hides_from_strangers(as_stranger: Client, household: Household) -> None:
    save(as_stranger)
    assert not PlanRules.objects.filter(household=household).exists()
    assert PlanRules.objects.get().household.name == "Elsewhere"


def test_asks_to_sign_in(client: Client, db: None) -> None:
    assert client.get("/household/plan/").headers["Location"].startswith("/account/login/")
