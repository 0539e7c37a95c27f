"""What the advice says, from rows of known figures; no database query in any of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.utils import timezone

from cartridges.models import Cause, Kind, Source, Stage, Train
from cartridges.services import advice, doubts, measures
from cartridges.services.overview import StageNow, TrainNow

from .estimate_rows import SUMMARY, estimate_row

NOW = dt.datetime(2026, 11, 25, 15, 0, tzinfo=dt.UTC)


@pytest.fixture(autouse=True)
def noon() -> Any:
    with time_machine.travel(NOW, tick=False), timezone.override("America/Chicago"):
        yield


def train_now(
    days: list[tuple[Any, Any, Any] | None],
    *,
    policy: str = "lead_lag",
    kinds: tuple[str, ...] = (Kind.SEDIMENT, Kind.CARBON_BLOCK, Kind.CATALYTIC_CARBON),
    changes: dict[int, dict[str, Any]] | None = None,
    summary: dict[str, Any] | None = None,
) -> TrainNow:
    """A train of these stages; ``days`` are P10, P50, P90 of each, or None for no estimate."""
    train = Train(
        pk=1,
        name="Rack",
        policy=policy,
        source=Source(disinfectant="chloramine"),
        summary=SUMMARY | (summary or {}),
        stale=False,
    )
    stages = []
    for k, (kind, given) in enumerate(zip(kinds, days, strict=True), start=1):
        stage = Stage(pk=k, train=train, position=k, kind=kind)
        estimate = None
        by_cause: dict[str, Any] = {}
        if given is not None:
            extra = (changes or {}).get(k, {})
            estimate = estimate_row(train, stage, *given, **extra)
            by_cause = estimate.details["by_cause"]
        stages.append(StageNow(stage, estimate, None, by_cause))
    return TrainNow(train, tuple(stages), None, None)


def test_the_earliest_planning_date_comes_first() -> None:
    act = advice.next_act(train_now([(10, 12, 14), (41, 50, 66), (200, 260, 340)]))
    assert act is not None
    assert act.title == "Replace the sediment cartridge (stage 1)"
    assert act.days == 10
    assert act.by == dt.date(2026, 12, 5)
    assert act.state == "soon"
    assert act.likely == "Most likely it reaches the age that its package allows in 12 days."


def test_lead_lag_makes_the_first_carbon_due_by_its_own_outlet() -> None:
    alike = (Kind.SEDIMENT, Kind.CATALYTIC_CARBON, Kind.CATALYTIC_CARBON)
    act = advice.next_act(train_now([(120, 123, 125), (41, 50, 66), (200, 260, 340)], kinds=alike))
    assert act is not None
    assert act.is_rotation
    assert (act.days, act.by, act.spread) == (41, dt.date(2027, 1, 5), "41–66 days")
    assert act.state == "ok"
    assert "after stage 2" in act.reason


def test_same_day_waits_for_the_last_outlet() -> None:
    now = train_now([(400, 410, 420), (41, 50, 66), (200, 260, 340)], policy="same_day")
    act = advice.next_act(now)
    assert act is not None
    assert act.title == "Replace all the carbon, stages 2 and 3"
    assert act.days == 200
    assert "after stage 3" in act.reason


def test_same_day_still_heeds_the_age_of_an_earlier_carbon() -> None:
    now = train_now([(400, 410, 420), (41, 50, 66), (200, 260, 340)], policy="same_day")
    aged = (NOW + dt.timedelta(days=30)).isoformat()
    now.stages[1].by_cause[Cause.CALENDAR] = [aged] * 4
    act = advice.next_act(now)
    assert act is not None
    assert act.days == 30
    assert act.reason == "it reaches the age that its package allows"


def test_a_single_carbon_is_simply_replaced() -> None:
    now = train_now([(120, 123, 125), (41, 50, 66)], kinds=(Kind.SEDIMENT, Kind.CARBON_BLOCK))
    act = advice.next_act(now)
    assert act is not None
    assert act.title == "Replace the carbon block (stage 2)"
    assert not act.is_rotation


def test_two_of_a_kind_are_told_apart() -> None:
    now = train_now(
        [(300, 310, 320), (41, 50, 66)],
        kinds=(Kind.CARBON_BLOCK, Kind.CARBON_BLOCK),
    )
    act = advice.next_act(now)
    assert act is not None
    assert act.title == "Replace the second carbon block (stage 2)"


def test_past_due_is_due_now_with_no_negative_days() -> None:
    act = advice.next_act(train_now([(120, 123, 125), (-9, -4, 0), (200, 260, 340)]))
    assert act is not None
    assert (act.state, act.days, act.spread) == ("now", 0, "today or earlier")
    assert act.likely.startswith("By now chloramine reaches your limit")


def test_what_sets_the_date_is_told_apart_from_what_is_likely() -> None:
    now = train_now(
        [(400, 410, 420), (5, 265, 265), (300, 310, 320)],
        changes={2: {"cause": Cause.CALENDAR}},
    )
    moments = {d: (NOW + dt.timedelta(days=d)).isoformat() for d in (5, 265, 300)}
    now.stages[1].by_cause.clear()
    now.stages[1].by_cause.update(
        {
            Cause.CALENDAR: [moments[265]] * 4,
            Cause.OUTLET_LIMIT: [moments[5], moments[300], None, moments[5]],
        }
    )
    act = advice.next_act(now)
    assert act is not None
    assert act.likely == (
        "In 1 of 10 outcomes chloramine reaches your limit of 0.10\u00a0mg/L after stage 2 by "
        "then; most likely it reaches the age that its package allows in 265 days."
    )


def test_nothing_due_within_ten_years_is_no_act() -> None:
    assert advice.next_act(train_now([(None,) * 3] * 3)) is None


def test_days_are_whole_days_of_the_household_calendar() -> None:
    late = dt.datetime(2026, 11, 26, 5, 59, tzinfo=dt.UTC)  # 25 November, 23:59 in Chicago
    assert advice.days_to(late) == 0
    assert advice.days_to(late + dt.timedelta(minutes=1)) == 1


@pytest.mark.parametrize(
    ("middle", "high", "state"),
    [(0.02, 0.06, "ok"), (0.02, 0.10, "ok"), (0.06, 0.11, "soon"), (0.11, 0.30, "now")],
)
def test_verdict_by_the_predicted_outlet(middle: float, high: float, state: str) -> None:
    changes = {3: {"outlet_total_p50_mg_l": middle, "outlet_total_p90_mg_l": high}}
    now = train_now([(120, 123, 125), (41, 50, 66), (200, 260, 340)], changes=changes)
    assert advice.verdict(now).state == state


def test_verdict_is_unknown_without_an_estimate() -> None:
    assert advice.verdict(train_now([None, None, None])).state == "unknown"


def test_the_disinfectant_of_the_moment_is_named() -> None:
    now = train_now(
        [(120, 123, 125), (41, 50, 66), (200, 260, 340)], summary={"inlet_free_mg_l": 1.9}
    )
    act = advice.next_act(now)
    assert act is not None
    assert act.reason.startswith("chlorine reaches")


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ({}, []),
        ({"two_humped": True}, ["two groups"]),
        ({"effective_members": 40.0}, ["these days are rough"]),
        ({"replicate_spread": 0.2}, ["these days are rough"]),
        ({"two_humped": True, "effective_members": 8.0}, ["two groups", "rough"]),
    ],
)
def test_says_in_words_how_sure(found: dict[str, Any], words: list[str]) -> None:
    said = doubts.how_sure(train_now([(1, 2, 3)] * 3, summary=found))
    assert len(said) == len(words)
    for sentence, part in zip(said, words, strict=True):
        assert part in sentence


def test_both_lives_and_which_comes_first() -> None:
    now = train_now([(120, 123, 125), (41, 50, 66), (200, 260, 340)])
    first, second = (measures.lives(s.estimate) for s in now.stages[1:])
    assert first is not None
    assert second is not None
    assert first.limit_first  # 50 days against the package's 62
    assert not second.limit_first  # 260 against 62
    assert measures.lives(now.stages[0].estimate) is None  # a sediment stage claims no volume


def test_contact_time_against_the_guidance() -> None:
    now = train_now(
        [(120, 123, 125), (41, 50, 66), (200, 260, 340)], changes={3: {"contact_min": 5.0}}
    )
    assert measures.contact_of(now, now.stages[0]) is None
    short, enough = (measures.contact_of(now, s) for s in now.stages[1:])
    assert (short.word, enough.word) == ("short", "enough")  # type: ignore[union-attr]  # carbon
    total = measures.contact_in_all(now)
    assert total is not None
    assert (total.minutes, total.asked_min, total.word) == (8.4, 10.0, "short")


@pytest.mark.parametrize(
    ("p10", "p90", "words"),
    [
        (41, 66, "41–66 days"),
        (1, 1, "1 day"),
        (-3, 5, "0–5 days"),
        (-3, 0, "today or earlier"),
        (900, None, "900 days to beyond ten years"),
        (None, None, "beyond ten years"),
        (1200, 1500, "1,200–1,500 days"),
    ],
)
def test_the_spread_in_days(p10: int | None, p90: int | None, words: str) -> None:
    low, high = (None if d is None else NOW + dt.timedelta(days=d) for d in (p10, p90))
    assert advice.spread_in_days(low, high) == words


def test_unlike_carbons_do_not_move_forward() -> None:
    act = advice.next_act(train_now([(120, 123, 125), (41, 50, 66), (200, 260, 340)]))
    assert act is not None
    assert not act.is_rotation
    assert act.title == "Replace the carbon block (stage 2)"


def test_a_first_carbon_that_is_too_weak_is_counted_at_the_last() -> None:
    now = train_now(
        [(120, 123, 125), (200, 260, 340), (200, 260, 340)],
        changes={2: {"fresh_outlet_mg_l": 0.9}, 3: {"fresh_outlet_mg_l": 0.001}},
    )
    [said] = doubts.how_sure(now)
    assert said.startswith("Stage 2 alone cannot hold your limit")
    act = advice.next_act(train_now([(900, 950, 990), (41, 50, 66), (41, 50, 66)]))
    assert act is not None and "after stage 2" in act.reason
    assert "after stage 3" in advice.why("outlet_limit", now=now, stage=now.stages[1])


def test_a_train_that_is_too_weak_even_when_new_is_said_to_be() -> None:
    now = train_now(
        [(120, 123, 125), (0, 0, 0), (0, 0, 0)],
        changes={2: {"fresh_outlet_mg_l": 0.9}, 3: {"fresh_outlet_mg_l": 0.4}},
    )
    [said] = doubts.how_sure(now)
    assert "0.40" in said and "contact time that it lacks" in said
