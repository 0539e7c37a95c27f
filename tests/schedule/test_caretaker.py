"""The round: what it does, in which order, and what it does when something breaks."""

from __future__ import annotations

import datetime as dt
import logging
import signal
import threading
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.core.management import call_command
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, User
from schedule.models import ChoreTurn, Letter, PlanSummary
from schedule.services import caretaker as work
from schedule.services.caretaker import Caretaker
from tests.trains import build_train

from .letter_box import NOON, TODAY, chore, round_at, sent_to, wish


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.MODEL_MEMBERS = 256


@pytest.fixture
def planless(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plans take the longest by far, and most tests here are about something else."""
    monkeypatch.setattr(work.plan, "ensure", lambda train: None)
    monkeypatch.setattr(work.plan, "ensure_all", lambda household: None)


def test_a_round_calculates_plans_and_writes(train: Train, owner: User) -> None:
    wish(owner, train.household, hour=0)
    tally = Caretaker().round()
    train.refresh_from_db()
    assert not train.stale and train.estimates.count() == 3
    assert PlanSummary.objects.get(train=train).fingerprint
    assert ChoreTurn.objects.filter(chore__train=train).exists()  # the starters' first turns
    assert tally.trains == 1 and tally.failed == 0
    assert tally.letters == tally.accepted == len(mail.outbox)


def test_a_second_round_does_nothing_more(train: Train, owner: User, planless: None) -> None:
    wish(owner, train.household, hour=0)
    keeper = Caretaker()
    keeper.round()
    train.refresh_from_db()
    before, letters = train.estimated_at, Letter.objects.count()
    assert str(keeper.round()).startswith("0 trains calculated, 0 letters written, 0 sent")
    train.refresh_from_db()
    assert train.estimated_at == before and Letter.objects.count() == letters


def test_a_day_old_estimate_is_made_anew(train: Train, planless: None) -> None:
    Caretaker().round()
    with time_machine.travel(timezone.now() + dt.timedelta(hours=25), tick=False):
        assert Caretaker().round().trains == 1


def test_a_train_that_is_still_being_set_up_is_left_alone(train: Train, planless: None) -> None:
    Train.objects.update(set_up_at=None)
    assert Caretaker().round().trains == 0


def test_one_household_that_fails_does_not_stop_the_others(
    household: Household,
    owner: User,
    stranger: User,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    theirs = stranger.households.get()
    chore(household, on=TODAY)
    chore(theirs, on=TODAY, title="Empty the lines")
    settle = work.settle_day

    def broken(home: Household, **kwargs: Any) -> Any:
        if home == household:
            raise RuntimeError("a row that makes no sense")
        return settle(home, **kwargs)

    monkeypatch.setattr(work, "settle_day", broken)
    with caplog.at_level(logging.ERROR):
        tally = round_at(NOON)
    assert tally.failed == 1
    assert sent_to(stranger) == ["Empty the lines today, Tue 3 Mar"] and sent_to(owner) == []
    assert f"letters of household {household.pk}" in caplog.text
    assert "a row that makes no sense" in caplog.text
    monkeypatch.setattr(work, "settle_day", settle)
    round_at(NOON + dt.timedelta(minutes=5))
    assert sent_to(owner) == ["Clean the drain today, Tue 3 Mar"]


def test_what_fails_is_not_tried_every_minute(
    household: Household, monkeypatch: pytest.MonkeyPatch
) -> None:
    chore(household, on=TODAY)
    tries = []

    def broken(home: Household, **kwargs: Any) -> Any:
        tries.append(timezone.now())
        raise RuntimeError("still broken")

    monkeypatch.setattr(work, "settle_day", broken)
    keeper = Caretaker()
    for minutes in range(130):
        with time_machine.travel(NOON + dt.timedelta(minutes=minutes), tick=False):
            keeper.round()
    assert [t - NOON for t in tries] == [dt.timedelta(hours=k) for k in (0, 1, 2)]


def test_a_plan_that_fails_does_not_keep_letters_back(
    household: Household, owner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(home: Household, **kwargs: Any) -> Any:
        raise RuntimeError("no plan")

    monkeypatch.setattr(work.plan, "ensure_all", broken)
    chore(household, on=TODAY)
    round_at(NOON)
    assert sent_to(owner) == ["Clean the drain today, Tue 3 Mar"]


def test_a_train_that_fails_does_not_stop_the_others(
    train: Train, stranger: User, planless: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = build_train(stranger.households.get(), stranger)
    refresh = work.estimates.refresh

    def broken(some: Train, **kwargs: Any) -> Any:
        if some.pk == train.pk:
            raise RuntimeError("no such bed")
        return refresh(some, **kwargs)

    monkeypatch.setattr(work.estimates, "refresh", broken)
    tally = Caretaker().round()
    other.refresh_from_db()
    assert tally.failed >= 1 and not other.stale


def test_it_stops_between_two_steps(household: Household, stranger: User) -> None:
    chore(household, on=TODAY)
    chore(stranger.households.get(), on=TODAY)
    asked = iter([False, True, True, True, True])
    with time_machine.travel(NOON, tick=False):
        tally = Caretaker(stop=lambda: next(asked)).round()
    assert tally.letters == 1 and mail.outbox == []


def test_the_command_goes_one_round(household: Household, owner: User, capsys: Any) -> None:
    chore(household, on=TODAY)
    with time_machine.travel(NOON, tick=False):
        call_command("caretaker", once=True)
    assert sent_to(owner) == ["Clean the drain today, Tue 3 Mar"]
    assert "1 letters written, 1 sent" in capsys.readouterr().out


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_command_goes_on_until_a_signal(
    household: Household, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stops cleanly, and gives the signals back to whoever had them."""
    before = signal.getsignal(number)
    rounds = []

    def counted(self: Caretaker) -> work.Tally:
        rounds.append(1)
        if len(rounds) == 2:
            signal.raise_signal(number)
        return work.Tally()

    monkeypatch.setattr(Caretaker, "round", counted)
    guard = threading.Timer(20, signal.raise_signal, [number])
    guard.start()
    call_command("caretaker", every=1)
    guard.cancel()
    assert len(rounds) == 2 and signal.getsignal(number) == before


def test_a_round_that_breaks_is_followed_by_the_next(
    db: None, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    rounds = []

    def broken(self: Caretaker) -> work.Tally:
        rounds.append(1)
        if len(rounds) == 2:
            signal.raise_signal(signal.SIGTERM)
            return work.Tally()
        raise ConnectionError("the database is away")

    monkeypatch.setattr(Caretaker, "round", broken)
    call_command("caretaker", every=1)
    assert len(rounds) == 2 and "the database is away" in caplog.text


def test_days_of_rounds_on_a_real_train_says_each_thing_once(train: Train, owner: User) -> None:
    """Estimates, plan and chores of a train with the starters, every four hours of three days."""
    train.household.time_zone = "America/Chicago"
    train.household.save()
    start = timezone.now().replace(minute=0, second=0, microsecond=0)
    keeper = Caretaker()
    for hours in range(0, 3 * 24, 4):
        with time_machine.travel(start + dt.timedelta(hours=hours), tick=False):
            keeper.round()
    said = owner.notices.filter(letter__state=Letter.State.SENT)
    keys = [(n.thing, n.kind, n.due_on) for n in said]
    assert len(keys) == len(set(keys)) > 0
    days = list(Letter.objects.filter(person=owner, urgent=False).values_list("sent_at", flat=True))
    local = [moment.astimezone(train.household.zone) for moment in days if moment]
    assert len({moment.date() for moment in local}) == len(local) <= 4
    assert all(moment.hour >= 8 for moment in local)
