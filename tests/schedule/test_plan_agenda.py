"""The agenda: what is to be done by when, from plan and chores, in one list."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import CartridgeSpec, Cause, Train
from cartridges.services import acts, placements
from hobbyhydro.households.models import Household
from schedule.models import ChoreTurn, PlannedSwap, PlannedVisit
from schedule.services.agenda import Item, agenda

TODAY = dt.date(2026, 3, 1)


@pytest.fixture
def block(db: None) -> CartridgeSpec:
    return CartridgeSpec.objects.get(starter_key="block-slim")


def plan_of(household: Household, **asked: Any) -> list[Item]:
    """What of the agenda comes from the plan."""
    return [i for i in agenda(household, today=TODAY, **asked) if i.kind != "chore"]


def planned(train: Train, spec: CartridgeSpec, on: dt.date, **changes: Any) -> PlannedSwap:
    """One swap of stage 2 on a day."""
    visit, _ = PlannedVisit.objects.get_or_create(
        train=train, on=on, defaults={"computed_at": timezone.now(), "fingerprint": "x"}
    )
    stage = changes.pop("stage", None) or train.stages.get(position=2)
    values = {"due_on": on, "cause": Cause.OUTLET_LIMIT, "order_by": on - dt.timedelta(days=14)}
    return PlannedSwap.objects.create(visit=visit, stage=stage, spec=spec, **(values | changes))


def test_lists_swaps_and_their_orders_by_day(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    later = planned(train, block, dt.date(2026, 5, 10), number=2)
    soon = planned(
        train,
        block,
        dt.date(2026, 3, 20),
        replaces=placements.in_service(train)[later.stage_id].cartridge,
    )
    items = plan_of(household)
    assert [(i.kind, i.due_on) for i in items] == [
        ("order", dt.date(2026, 3, 6)),
        ("swap", dt.date(2026, 3, 20)),
        ("order", dt.date(2026, 4, 26)),
        ("swap", dt.date(2026, 5, 10)),
    ]
    assert items[1].thing == f"swap:stage-{soon.stage_id}:cartridge-{soon.replaces_id}"
    assert items[3].thing == f"visit:train-{train.pk}:stage-{later.stage_id}-2"
    assert "carbon block (stage 2)" in items[1].title
    assert items[1].why == "chlorine reaches the safe limit"


def test_addresses_open_the_right_forms(
    train: Train, household: Household, block: CartridgeSpec, as_keeper: Client
) -> None:
    planned(train, block, dt.date(2026, 3, 20))
    planned(train, block, dt.date(2026, 4, 20), rotation=True)
    items = plan_of(household)
    pages = {item.kind: as_keeper.get(item.url) for item in items}
    assert {kind: page.status_code for kind, page in pages.items()} == {
        "order": 200,
        "swap": 200,
        "rotation": 200,
    }
    stage = train.stages.get(position=2)
    assert str(pages["swap"].context["form"].initial.get("stage")) == str(stage.pk)
    assert str(pages["order"].context["form"].initial["spec"]) == str(block.pk)


def test_keeps_what_is_overdue_and_leaves_out_what_is_far(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    planned(train, block, dt.date(2026, 2, 20), order_by=None)
    planned(train, block, dt.date(2026, 3, 31), order_by=None)
    planned(train, block, dt.date(2026, 4, 1), order_by=None)
    days = [item.due_on for item in plan_of(household, days_ahead=30)]
    assert days == [dt.date(2026, 2, 20), dt.date(2026, 3, 31)]


def test_asks_for_two_of_a_kind_in_one_order(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    planned(train, block, dt.date(2026, 3, 20))
    planned(train, block, dt.date(2026, 3, 20), stage=train.stages.get(position=3))
    [order] = [item for item in agenda(household, today=TODAY) if item.kind == "order"]
    assert order.title == f"Order 2 × {block}"


def test_an_order_keeps_its_name_when_its_day_moves(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    def name() -> str:
        [found] = [i.thing for i in agenda(household, today=TODAY) if i.kind == "order"]
        return found

    planned(train, block, dt.date(2026, 3, 20))
    before = name()
    PlannedSwap.objects.update(order_by=dt.date(2026, 3, 4))
    assert name() == before
    acts.buy(household=household, spec=block)
    assert name() != before, "the order after a purchase is another"


def test_orders_nothing_that_lies_on_the_shelf(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    planned(train, block, dt.date(2026, 3, 20), from_shelf=True)
    assert [item.kind for item in plan_of(household)] == ["swap"]


def test_lists_open_turns_of_chores(train: Train, household: Household) -> None:
    agenda(household, today=TODAY)  # makes the starters
    turn = ChoreTurn.objects.filter(
        chore__household=household, chore__log_kind="meter-reading", state="open"
    ).first()
    assert turn is not None
    turn.put_off_to = dt.date(2026, 3, 30)
    turn.save()
    [item] = [i for i in agenda(household, today=TODAY) if i.turn == turn]
    assert (item.kind, item.due_on, item.title) == ("chore", turn.put_off_to, turn.chore.title)
    assert item.thing == f"chore:{turn.chore_id}:{turn.due_on}"
    assert item.log_url.startswith(f"/trains/{train.pk}/log/meter-reading/")


def test_is_of_one_household_alone(train: Train, block: CartridgeSpec, stranger: Any) -> None:
    planned(train, block, dt.date(2026, 3, 20))
    assert agenda(Household.objects.get(name="Elsewhere"), today=TODAY) == []


def test_names_an_overdue_visits_own_days(
    train: Train, household: Household, block: CartridgeSpec
) -> None:
    """What was only brought forward to a visit that is overdue is not overdue itself."""
    overdue = dt.date(2026, 2, 20)
    planned(train, block, overdue, order_by=None)
    planned(
        train,
        block,
        overdue,
        stage=train.stages.get(position=3),
        due_on=dt.date(2026, 3, 9),
        order_by=None,
    )
    assert [item.due_on for item in plan_of(household)] == [overdue, TODAY]


def test_queries_do_not_grow(train: Train, household: Household, block: CartridgeSpec) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            for item in agenda(household, today=TODAY):
                assert item.title and (item.train is None or item.train.name)
                assert item.stage is None or item.stage.position
        return len(queries)

    planned(train, block, dt.date(2026, 3, 20))
    agenda(household, today=TODAY)  # makes the starters
    few = count()
    for month in range(4, 10):
        planned(train, block, dt.date(2026, month, 20))
    assert count() == few
