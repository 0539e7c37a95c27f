"""The timeline of swaps: a bar for each cartridge's time in each stage, a diamond for a new one."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.utils import timezone

from cartridges.models import Train
from cartridges.services.charts import Chart
from hobbyhydro.households.models import Household, User
from schedule.services import plan, plan_chart, plan_page
from tests.trains import build_train

from .planned import FakeModel, estimated, fake

TWO_CARBONS = (
    ("sediment", "sediment-5-slim"),
    ("catalytic_carbon", "catalytic-slim"),
    ("catalytic_carbon", "catalytic-slim"),
)


@pytest.fixture
def twins(household: Household, owner: User) -> Train:
    """A sediment stage and two like carbons."""
    return build_train(household, owner, kinds=TWO_CARBONS)


@pytest.fixture
def model(twins: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    return fake(twins, monkeypatch)


def drawn(train: Train) -> Chart:
    estimated(train)
    summary = plan.ensure(train)
    today = timezone.localdate()
    visits = plan_page.visits_of(train, today=today)
    found = plan_chart.timeline(train, visits, summary, today=today)
    assert found is not None
    return found


def bars(chart: Chart) -> list[tuple[int, int, int, str]]:
    """(stage from the top, first day from today, last day, colour) of each bar."""
    today = timezone.localdate()
    found = []
    for trace in chart.figure["data"]:
        if trace["name"] == "cartridge":
            first, last = (
                (dt.date.fromisoformat(x) - today).days for x in (trace["x"][0], trace["x"][1])
            )
            found.append((4 - trace["y"][0], first, last, trace["line"]["color"]))
    return sorted(found)


def diamonds(chart: Chart) -> list[tuple[int, int]]:
    [trace] = [t for t in chart.figure["data"] if t["name"] == "new cartridge"]
    today = timezone.localdate()
    days = [(dt.date.fromisoformat(x) - today).days for x in trace["x"]]
    return list(zip(days, [4 - y for y in trace["y"]], strict=True))


def test_a_swap_ends_one_bar_and_begins_another(twins: Train, model: FakeModel) -> None:
    model.asked["lead_lag"] = [(40.0, 1)]
    chart = drawn(twins)
    assert [bar[:3] for bar in bars(chart)] == [(1, 0, 40), (1, 40, 730), (2, 0, 730), (3, 0, 730)]
    assert diamonds(chart) == [(40, 1)]


def test_a_rotation_moves_the_second_forward(twins: Train, model: FakeModel) -> None:
    turn: dict[str, Any] = {"rotation": True, "group": 2}
    model.asked["lead_lag"] = [(40.0, 2, turn)]
    chart = drawn(twins)
    by_place = {bar[:3]: bar[3] for bar in bars(chart)}
    assert set(by_place) == {(1, 0, 730), (2, 0, 40), (2, 40, 730), (3, 0, 40), (3, 40, 730)}
    assert by_place[2, 40, 730] == by_place[3, 0, 40], "its colour goes with it"
    assert by_place[3, 40, 730] not in (by_place[2, 0, 40], by_place[3, 0, 40])
    assert diamonds(chart) == [(40, 3)], "the new one goes in last"


def test_the_table_holds_what_is_drawn(twins: Train, model: FakeModel) -> None:
    model.asked["lead_lag"] = [(40.0, 1), (300.0, 3)]
    chart = drawn(twins)
    assert [row[1] for row in chart.rows] == [
        "Replace the sediment cartridge (stage 1)",
        "Replace the catalytic carbon (stage 3)",
    ]


def test_nothing_is_drawn_where_nothing_is_due(twins: Train, model: FakeModel) -> None:
    estimated(twins)
    summary = plan.ensure(twins)
    assert plan_chart.timeline(twins, [], summary, today=timezone.localdate()) is None
