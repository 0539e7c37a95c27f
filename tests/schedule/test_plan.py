"""The plan's page."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from cartridges.models import Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, User
from schedule.models import PlannedVisit, PlanRules
from schedule.services import plan

from .planned import FakeModel, estimated, fake, fitted, kind_in


@pytest.fixture
def model(train: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    model = fake(train, monkeypatch)
    model.asked["lead_lag"] = [(20.0, 2, {"replaced": fitted(train, 2)}), (26.0, 1), (90.0, 2)]
    model.asked["same_day"] = [(40.0, 2), (40.0, 3)]
    estimated(train)
    plan.ensure(train)
    return model


def text_of(client: Client, train: Train) -> str:
    page = client.get(f"/trains/{train.pk}/plan/")
    assert page.status_code == 200
    return page.content.decode().replace("\xa0", " ").replace("&nbsp;", " ")


def test_works(as_keeper: Client, train: Train, model: FakeModel) -> None:
    page = as_keeper.get(f"/trains/{train.pk}/plan/")
    assert page.status_code == 200
    visits = page.context["visits"]
    assert [len(v.swaps) for v in visits] == [1, 1, 1]
    text = text_of(as_keeper, train)
    assert "Replace the carbon block (stage 2)" in text
    assert "in 20 days" in text and "in 90 days" in text
    assert "about 25 % of its capacity is still unused" in text
    assert "price not known" in text
    assert [c.key for c in page.context["charts"]] == ["plan"], "no cost chart without prices"


def test_works_for_a_viewer_without_buttons(
    as_viewer: Client, train: Train, model: FakeModel
) -> None:
    text = text_of(as_viewer, train)
    assert "Plan by same day" not in text
    assert "Lead times and prices" not in text


def test_shows_what_bringing_together_wastes_and_saves(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    PlanRules.objects.create(
        household=household, expected_prices={str(kind_in(train, 1).pk): "10.00"}
    )
    text = text_of(as_keeper, train)
    assert "Brought together: wastes 0.60 USD, saves 5.00 USD." in text
    assert "made 6 days early" in text


def test_says_which_spare_or_when_to_order(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    [spare] = acts.buy(household=household, spec=kind_in(train, 2), price=Decimal("24.90"))
    text = text_of(as_keeper, train)
    assert f"Spare no. {spare.number} on the shelf" in text
    assert "24.90 USD" in text
    assert "Order by" in text


def test_says_when_an_order_is_late(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    assert "Order first: " in text_of(as_keeper, train)
    PlanRules.objects.create(household=household, lead_days=21)
    text = text_of(as_keeper, train)
    assert "it should have been ordered by" in text
    assert "Order now: " in text and "Order first: " not in text


def test_compares_the_policies_in_a_sentence(
    as_keeper: Client, train: Train, household: Household, model: FakeModel
) -> None:
    prices = {str(kind_in(train, k).pk): "10" for k in (1, 2, 3)}
    PlanRules.objects.create(household=household, visit_cost=0, expected_prices=prices)
    page = as_keeper.get(f"/trains/{train.pk}/plan/")
    says = page.context["comparison"].says.replace("\xa0", " ")
    # One cartridge at 10 and one visit in place of three, in 730 days; flushing costs a few cents.
    assert says.startswith("Same day would cost ") and says.endswith("take 1.0 fewer visits.")
    assert "less a year" in says
    assert [c.key for c in page.context["charts"]] == ["plan", "costs"]


def test_explains_the_caution_and_leads_to_it(
    as_owner: Client, train: Train, household: Household, model: FakeModel
) -> None:
    assert "by which 1 of 10 modelled outcomes has reached" in text_of(as_owner, train)
    household.plan_by = Household.PlanBy.VERY_CAREFUL
    household.save()
    estimated(train)
    assert "by which 1 of 20 modelled outcomes has reached" in text_of(as_owner, train)
    assert 'href="/household/"' in text_of(as_owner, train)


def test_warns_where_nothing_can_hold_the_limit(
    as_keeper: Client, train: Train, model: FakeModel
) -> None:
    model.unheld = ((100.0, 130.0),)
    estimated(train, fingerprint="second")
    plan.ensure(train)
    assert "even new cartridges let more through" in text_of(as_keeper, train)


def test_asks_for_a_new_plan_where_the_model_must_run(
    as_keeper: Client, train: Train, model: FakeModel
) -> None:
    estimated(train, fingerprint="second")
    runs = model.runs
    page = as_keeper.get(f"/trains/{train.pk}/plan/")
    assert page.context["behind"]
    assert f'hx-post="/trains/{train.pk}/plan/renew/"' in page.content.decode()
    assert len(page.context["visits"]) == 3, "the former plan is shown meanwhile"
    assert model.runs == runs, "a GET does not run the model"


def test_works_before_the_first_plan(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(f"/trains/{train.pk}/plan/")
    assert page.status_code == 200
    assert "It takes a few seconds" in page.content.decode()


def test_says_what_is_missing(as_keeper: Client, train: Train, model: FakeModel) -> None:
    train.refresh_from_db()
    train.fingerprint, train.summary = "", {"problem": "The flow is not known yet."}
    train.save()
    page = as_keeper.get(f"/trains/{train.pk}/plan/")
    assert page.context["problem"] == "The flow is not known yet."
    assert "No plan yet" in page.content.decode()


def test_hides_from_strangers(as_stranger: Client, train: Train, model: FakeModel) -> None:
    assert as_stranger.get(f"/trains/{train.pk}/plan/").status_code == 404


def test_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(f"/trains/{train.pk}/plan/").status_code == 405


def test_asks_to_sign_in(client: Client, train: Train) -> None:
    answer = client.get(f"/trains/{train.pk}/plan/")
    assert answer.headers["Location"].startswith("/account/login/")


def test_reads_in_the_readers_units(
    as_keeper: Client, keeper: User, train: Train, model: FakeModel
) -> None:
    assert " gal" in text_of(as_keeper, train)
    keeper.units = User.Units.METRIC
    keeper.save()
    text = text_of(as_keeper, train)
    assert " gal" not in text and " L" in text


def test_queries_do_not_grow(as_keeper: Client, train: Train, model: FakeModel) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            as_keeper.get(f"/trains/{train.pk}/plan/")
        return len(queries)

    few = count()
    model.asked["lead_lag"] = [(10.0 * k, 1 + k % 3) for k in range(1, 60)]
    estimated(train, fingerprint="second")
    plan.ensure(train)
    assert PlannedVisit.objects.count() == 59
    assert count() == few
    assert few <= 12


def test_home_leads_to_it(as_keeper: Client, train: Train, model: FakeModel) -> None:
    assert f'href="/trains/{train.pk}/plan/"' in as_keeper.get("/").content.decode()
