"""The spares' page."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, User
from schedule.models import PlanRules
from schedule.services import plan
from tests.trains import build_train

from .planned import FakeModel, estimated, fake, kind_in


@pytest.fixture
def model(train: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    """Two carbon blocks on one day, and one more later."""
    model = fake(train, monkeypatch)
    block = {"medium_key": f"spec-{kind_in(train, 2).pk}", "group": 2}
    model.asked["lead_lag"] = [(30.0, 2, block), (30.0, 3, block), (90.0, 2, block)]
    estimated(train)
    plan.ensure(train)
    return model


def text_of(client: Client) -> str:
    page = client.get("/spares/")
    assert page.status_code == 200
    return page.content.decode().replace("\xa0", " ").replace("&nbsp;", " ")


def test_works(as_keeper: Client, train: Train, model: FakeModel) -> None:
    [kind] = as_keeper.get("/spares/").context["kinds"]
    day = timezone.localdate() + dt.timedelta(days=30)
    assert kind.spec == kind_in(train, 2)
    assert (kind.next_order.count, kind.next_order.needed_on) == (2, day)
    assert (kind.next_order.needed_on - kind.next_order.order_by).days == 14
    text = text_of(as_keeper)
    assert "You need 2 more by" in text and "in 30 days" in text
    assert "Order soon" in text
    assert f"/cartridges/buy/?spec={kind.spec.pk}" in text


def test_takes_what_lies_on_the_shelf_off_the_order(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    acts.buy(household=household, spec=kind_in(train, 2))
    [kind] = as_keeper.get("/spares/").context["kinds"]
    assert kind.next_order.count == 1
    acts.buy(household=household, spec=kind_in(train, 2), count=3)
    [kind] = as_keeper.get("/spares/").context["kinds"]
    assert kind.next_order is None
    assert [c.number for c in kind.over] == [7], "the fourth spare is not needed"
    assert "All 3 that the plans need are on the shelf" in text_of(as_keeper)


def test_shows_spares_that_no_plan_needs(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    acts.buy(household=household, spec=kind_in(train, 1))
    names = [kind.spec for kind in as_keeper.get("/spares/").context["kinds"]]
    assert names == [kind_in(train, 2), kind_in(train, 1)], "what must be ordered comes first"
    assert "No plan needs one within 24 months" in text_of(as_keeper)


def test_shows_what_each_kind_cost(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    assert "Price not known" in text_of(as_keeper)
    block = kind_in(train, 2)
    PlanRules.objects.create(household=household, expected_prices={str(block.pk): "30"})
    assert "you expect 30.00 USD" in text_of(as_keeper)
    day = dt.date(2026, 1, 31)
    acts.buy(household=household, spec=block, count=2, price=Decimal("27.5"), bought_on=day)
    [kind] = as_keeper.get("/spares/").context["kinds"]
    assert [(p.on, p.count, p.price) for p in kind.purchases] == [(day, 2, Decimal("27.50"))]
    assert "2 at 27.50 USD each" in text_of(as_keeper)


def test_counts_every_train(
    as_keeper: Client, train: Train, household: Household, owner: User, model: FakeModel
) -> None:
    other = build_train(household, owner, name="Attic")
    model.train = other
    model.asked["lead_lag"] = [(10.0, 2)]
    estimated(other)
    plan.ensure(other)
    [kind] = as_keeper.get("/spares/").context["kinds"]
    assert [s.visit.train.name for s in kind.swaps] == ["Attic", *["Basement drip"] * 3]
    assert [o.count for o in kind.orders] == [1, 2, 1]


def test_asks_for_new_plans_where_the_model_must_run(
    as_keeper: Client, train: Train, model: FakeModel
) -> None:
    estimated(train, fingerprint="second")
    page = as_keeper.get("/spares/")
    assert page.context["behind"] == [train]
    assert f'hx-post="/trains/{train.pk}/plan/renew/"' in page.content.decode()


def test_works_for_a_viewer_without_buttons(as_viewer: Client, model: FakeModel) -> None:
    text = text_of(as_viewer)
    assert "You need 2 more" in text
    assert "Add spares" not in text and "Add to the shelf" not in text


def test_works_for_an_empty_household(as_owner: Client, household: Household) -> None:
    assert "nothing on the shelf" in text_of(as_owner)


def test_hides_from_strangers(as_stranger: Client, model: FakeModel) -> None:
    assert as_stranger.get("/spares/").context["kinds"] == []


def test_rejects_post(as_keeper: Client) -> None:
    assert as_keeper.post("/spares/").status_code == 405


def test_asks_to_sign_in(client: Client, db: None) -> None:
    assert client.get("/spares/").headers["Location"].startswith("/account/login/")


def test_queries_do_not_grow(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    def count() -> int:
        as_keeper.get("/spares/")  # makes the plan true to the shelf
        with CaptureQueriesContext(connection) as queries:
            as_keeper.get("/spares/")
        return len(queries)

    few = count()
    for stage in (1, 2, 3):
        acts.buy(household=household, spec=kind_in(train, stage), count=5, price=Decimal(9))
    model.asked["lead_lag"] = [(10.0 * k, 1 + k % 3) for k in range(1, 60)]
    estimated(train, fingerprint="second")
    plan.ensure(train)
    assert count() == few
    assert few <= 16
