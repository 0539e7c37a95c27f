"""Which notices are written for whom, and when they lapse."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.db import IntegrityError, transaction

from cartridges.models import CartridgeSpec, Train
from cartridges.services import placements
from hobbyhydro.households.models import Household, Membership, User
from schedule.models import Notice, NoticeKind, PlannedSwap, PlannedVisit
from schedule.services import chore_acts, chores, notices
from schedule.services.wishes import kinds_of, wishes_of

from .letter_box import DAY, NOON, TODAY, chore, wish

Kind = NoticeKind


@pytest.fixture(autouse=True)
def at_noon() -> Any:
    with time_machine.travel(NOON, tick=False) as clock:
        yield clock


def write(household: Household, *, today: dt.date = TODAY) -> None:
    notices.write(household, list(household.memberships.order_by("pk")), today=today)


def standing(person: User) -> list[tuple[str, dt.date]]:
    rows = person.notices.filter(lapsed_at=None).order_by("due_on", "pk")
    return [(n.kind, n.due_on) for n in rows]


@pytest.mark.parametrize(
    ("days", "kind"),
    [(8, None), (7, Kind.NEARLY_DUE), (1, Kind.NEARLY_DUE), (0, Kind.DUE), (-1, Kind.OVERDUE)],
)
def test_the_kind_follows_from_the_days_left(
    household: Household, owner: User, days: int, kind: NoticeKind | None
) -> None:
    chore(household, on=TODAY + days * DAY)
    write(household)
    assert standing(owner) == ([] if kind is None else [(kind, TODAY + days * DAY)])


def test_each_hears_as_far_ahead_as_they_wish(
    household: Household, owner: User, keeper: User
) -> None:
    wish(owner, household, lead_days=30)
    wish(keeper, household, lead_days=0)
    chore(household, on=TODAY + 20 * DAY)
    write(household)
    assert standing(owner) == [(Kind.NEARLY_DUE, TODAY + 20 * DAY)]
    assert standing(keeper) == []


def test_a_kind_that_is_not_wished_is_not_written(household: Household, owner: User) -> None:
    wish(owner, household, kinds=[Kind.OVERDUE])
    chore(household, on=TODAY)
    write(household)
    assert standing(owner) == []


def test_what_comes_round_weekly_is_told_on_its_day_only(household: Household, owner: User) -> None:
    weekly = chore(household, on=TODAY + 3 * DAY)
    weekly.rule = "FREQ=WEEKLY"
    weekly.save()
    write(household)
    assert standing(owner) == []
    write(household, today=TODAY + 3 * DAY)
    assert standing(owner) == [(Kind.DUE, TODAY + 3 * DAY)]


def test_of_a_chore_only_the_next_time_is_told(household: Household, owner: User) -> None:
    wish(owner, household, lead_days=60)
    monthly = chore(household, on=TODAY + 3 * DAY)
    monthly.rule = "FREQ=MONTHLY"
    monthly.save()
    write(household)
    assert standing(owner) == [(Kind.NEARLY_DUE, TODAY + 3 * DAY)]


def test_what_is_left_undone_reaches_everybody_in_the_end(
    household: Household, owner: User, viewer: User
) -> None:
    """A viewer is told of alarms and problems, and of nothing due, until it is late by 3 days."""
    chore(household, on=TODAY - 2 * DAY)
    write(household)
    assert standing(owner) == [(Kind.OVERDUE, TODAY - 2 * DAY)]
    assert standing(viewer) == []
    write(household, today=TODAY + DAY)
    assert standing(viewer) == [(Kind.OVERDUE, TODAY - 2 * DAY)]


def test_whoever_wants_no_escalation_gets_none(household: Household, viewer: User) -> None:
    wish(viewer, household, escalate_after_days=0, kinds=[Kind.ALARM])
    chore(household, on=TODAY - 40 * DAY)
    write(household)
    assert standing(viewer) == []


def test_the_same_is_never_written_twice(household: Household, owner: User) -> None:
    chore(household, on=TODAY)
    write(household)
    write(household)
    assert Notice.objects.filter(person=owner).count() == 1
    [notice] = owner.notices.all()
    copy = {f: getattr(notice, f) for f in ("person", "household", "thing", "due_on", "kind")}
    with pytest.raises(IntegrityError), transaction.atomic():
        Notice.objects.create(**copy)


def test_news_takes_the_place_of_older_news(household: Household, owner: User) -> None:
    chore(household, on=TODAY + DAY)
    for later in (0, 1, 2):
        write(household, today=TODAY + later * DAY)
    assert standing(owner) == [(Kind.OVERDUE, TODAY + DAY)]
    assert owner.notices.count() == 3


def test_what_is_done_lapses(household: Household, owner: User) -> None:
    made = chore(household, on=TODAY)
    write(household)
    turn = chores.open_turn(made, today=TODAY)
    assert turn is not None
    chore_acts.done(turn, by=owner)
    notices.lapse_gone(household, today=TODAY)
    assert standing(owner) == []


def test_what_was_put_off_lapses_and_is_told_again_on_its_new_day(
    household: Household, owner: User
) -> None:
    made = chore(household, on=TODAY)
    write(household)
    turn = chores.open_turn(made, today=TODAY)
    assert turn is not None
    chore_acts.put_off(turn, to=TODAY + 30 * DAY, by=owner, reason="away")
    write(household)
    assert standing(owner) == []
    write(household, today=TODAY + 30 * DAY)
    assert standing(owner) == [(Kind.DUE, TODAY + 30 * DAY)]


# Swaps, whose days waver with the forecast


@pytest.fixture
def swap(train: Train) -> PlannedSwap:
    """The second stage, to be swapped in five days."""
    visit = PlannedVisit.objects.create(
        train=train, on=TODAY + 5 * DAY, computed_at=NOON, fingerprint="x"
    )
    stage = train.stages.get(position=2)
    return PlannedSwap.objects.create(
        visit=visit,
        stage=stage,
        spec=CartridgeSpec.objects.get(starter_key="block-slim"),
        replaces=placements.in_service(train)[stage.pk].cartridge,
        due_on=visit.on,
        from_shelf=True,
    )


def move(swap: PlannedSwap, on: dt.date) -> None:
    swap.visit.on = swap.due_on = on
    swap.visit.save()
    swap.save()


def about_swap(person: User) -> list[tuple[str, dt.date]]:
    rows = person.notices.filter(lapsed_at=None, thing__startswith="swap:")
    return [(n.kind, n.due_on) for n in rows]


@pytest.mark.parametrize("days", [-2, -1, 1, 2])
def test_a_day_that_wavers_is_no_news(
    household: Household, owner: User, swap: PlannedSwap, days: int
) -> None:
    write(household)
    move(swap, TODAY + (5 + days) * DAY)
    write(household)
    assert about_swap(owner) == [(Kind.NEARLY_DUE, TODAY + 5 * DAY)]


def test_a_day_that_moves_is_told_anew(
    household: Household, owner: User, swap: PlannedSwap
) -> None:
    write(household)
    move(swap, TODAY + 2 * DAY)
    write(household)
    assert about_swap(owner) == [(Kind.NEARLY_DUE, TODAY + 2 * DAY)]
    move(swap, TODAY + 50 * DAY)
    write(household)
    assert about_swap(owner) == []


def test_a_day_that_moves_back_was_told_already(
    household: Household, owner: User, swap: PlannedSwap
) -> None:
    write(household)
    first = owner.notices.get(thing__startswith="swap:").pk
    for on in (1, 5):
        move(swap, TODAY + on * DAY)
        write(household)
    assert about_swap(owner) == [(Kind.NEARLY_DUE, TODAY + 5 * DAY)]
    assert owner.notices.get(thing__startswith="swap:", lapsed_at=None).pk == first


def test_a_plan_that_begins_today_does_not_hide_what_is_overdue(
    household: Household, owner: User, swap: PlannedSwap
) -> None:
    """A simulation puts what is overdue on the day it is run, day after day."""
    move(swap, TODAY)
    write(household)
    for later in (1, 2, 3):
        move(swap, TODAY + later * DAY)
        write(household, today=TODAY + later * DAY)
    assert about_swap(owner) == [(Kind.OVERDUE, TODAY)]
    assert owner.notices.filter(thing__startswith="swap:").count() == 2  # due, overdue


def test_an_order_is_told_as_one(household: Household, owner: User, swap: PlannedSwap) -> None:
    swap.from_shelf, swap.order_by = False, TODAY + DAY
    swap.save()
    write(household)
    assert (Kind.ORDER, TODAY + DAY) in standing(owner)


def test_of_a_stage_only_the_next_swap_is_told(
    household: Household, owner: User, swap: PlannedSwap
) -> None:
    """A plan looks two years ahead; what follows an undone swap is no news."""
    wish(owner, household, lead_days=60)
    visit = PlannedVisit.objects.create(
        train=swap.visit.train, on=TODAY + 40 * DAY, computed_at=NOON, fingerprint="x"
    )
    PlannedSwap.objects.create(
        visit=visit, stage=swap.stage, spec=swap.spec, due_on=visit.on, number=2, from_shelf=True
    )
    write(household)
    rows = owner.notices.filter(train=visit.train).exclude(thing__startswith="chore:")
    assert [n.due_on for n in rows] == [TODAY + 5 * DAY]


# What looks wrong


def test_a_train_that_cannot_be_calculated_is_told_once(train: Train, owner: User) -> None:
    train.summary = {"problem": "No restrictor was logged yet."}
    train.save()
    write(train.household)
    write(train.household, today=TODAY + 9 * DAY)
    rows = owner.notices.filter(kind=Kind.PROBLEM)
    assert [(n.due_on, n.says["why"]) for n in rows] == [(TODAY, "No restrictor was logged yet.")]
    train.summary = {}
    train.save()
    write(train.household, today=TODAY + 10 * DAY)
    assert not rows.filter(lapsed_at=None).exists()


def test_a_test_that_does_not_fit_is_told(train: Train, viewer: User) -> None:
    train.summary = {"unreconciled": ["outlet-test/1"]}
    train.save()
    write(train.household)
    [notice] = viewer.notices.filter(kind=Kind.PROBLEM)
    assert "again" in notice.says["title"]
    assert notice.says["path"] == f"/trains/{train.pk}/log/outlet-test/"


def test_kinds_that_nobody_chose_follow_the_role(household: Household, viewer: User) -> None:
    place = household.memberships.get(person=viewer)
    assert kinds_of(wishes_of(place)) == [Kind.ALARM, Kind.PROBLEM]
    wish(viewer, household, hour=6)  # which says nothing of kinds
    household.memberships.filter(person=viewer).update(role=Membership.Role.KEEPER)
    place = household.memberships.get(person=viewer)
    assert set(kinds_of(wishes_of(place))) == set(Kind.values)
