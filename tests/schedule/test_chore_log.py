"""The log completes chores: what is written down there need not be ticked off here."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import MeterReading, Note, OutletTest, SourceReading, Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, User
from schedule.models import Chore, ChoreTurn
from schedule.services import chore_acts, chores
from tests.trains import L_PER_GAL

DAY = dt.timedelta(days=1)
State = ChoreTurn.State


@pytest.fixture
def chore(train: Train, household: Household) -> Chore:
    """A weekly test of the train, due today."""
    return due_today(household, train, "outlet-test")


def due_today(household: Household, train: Train, kind: str, *, days_ago: int = 0) -> Chore:
    made = Chore.objects.create(
        household=household,
        train=train,
        title=f"Log a {kind}",
        rule="FREQ=WEEKLY",
        start=timezone.localdate() - days_ago * DAY,
        log_kind=kind,
    )
    chores.due(household, today=timezone.localdate(), days_ahead=0)
    return made


def outlet_test(train: Train, by: User, *, days_ago: float = 0, position: int = 2) -> OutletTest:
    fact = OutletTest(
        train=train,
        stage=train.stages.get(position=position),
        value_mg_l=0.05,
        at=timezone.now() - days_ago * DAY,
    )
    return acts.log(fact, by=by)


def last(chore: Chore) -> ChoreTurn:
    return chore.turns.earliest("due_on")


def test_a_test_completes_the_test_of_its_day(chore: Chore, train: Train, keeper: User) -> None:
    fact = outlet_test(train, keeper)
    turn = last(chore)
    assert (turn.state, turn.state_by, turn.state_at) == (State.DONE, keeper, fact.at)


def test_a_test_completes_an_overdue_one(train: Train, household: Household, keeper: User) -> None:
    chore = due_today(household, train, "outlet-test", days_ago=3)
    outlet_test(train, keeper, days_ago=1)
    assert last(chore).state == State.DONE


def test_a_test_of_an_earlier_day_completes_nothing(
    chore: Chore, train: Train, keeper: User
) -> None:
    outlet_test(train, keeper, days_ago=2)
    assert last(chore).state == State.OPEN


def test_a_test_of_another_train_completes_nothing(
    chore: Chore, train: Train, household: Household, keeper: User
) -> None:
    other = Train.objects.create(
        household=household, source=train.source, started_at=timezone.now() - DAY, name="Shed"
    )
    other.stages.create(position=1, kind="carbon_block")
    outlet_test(other, keeper, position=1)
    assert last(chore).state == State.OPEN


def test_another_kind_of_entry_completes_nothing(chore: Chore, train: Train, keeper: User) -> None:
    acts.log(Note(train=train, at=timezone.now(), text="cloudy"), by=keeper)
    assert last(chore).state == State.OPEN


def test_a_meter_reading_completes_the_meters_turn(
    train: Train, household: Household, keeper: User
) -> None:
    chore = due_today(household, train, "meter-reading")
    reading = MeterReading(
        train=train, meter=train.meters.get(), reading_l=3001 * L_PER_GAL, at=timezone.now()
    )
    acts.log(reading, by=keeper)
    assert last(chore).state == State.DONE


def test_a_source_test_completes_the_turn_of_each_train_on_that_tap(
    train: Train, household: Household, keeper: User
) -> None:
    chore = due_today(household, train, "source-test")
    acts.log(SourceReading(source=train.source, at=timezone.now(), total_mg_l=2.1), by=keeper)
    assert last(chore).state == State.DONE


def test_turning_the_water_on_is_kept_as_a_shut_off_and_completes_its_chore(
    train: Train, household: Household, keeper: User
) -> None:
    acts.shut_off(train=train, at=timezone.now() - DAY, by=keeper)
    chore = due_today(household, train, "turn-on")
    acts.turn_on(train=train, at=timezone.now(), by=keeper)
    assert last(chore).state == State.DONE


def test_a_paused_chore_is_left_alone(chore: Chore, train: Train, keeper: User) -> None:
    chore_acts.pause(chore)
    outlet_test(train, keeper)
    assert last(chore).state == State.OPEN


def test_undoing_the_entry_opens_the_turn_and_redoing_completes_it(
    chore: Chore, train: Train, keeper: User
) -> None:
    fact = outlet_test(train, keeper)
    acts.undo(fact, by=keeper)
    assert (last(chore).state, last(chore).state_at, last(chore).fact) == (State.OPEN, None, "")
    acts.redo(OutletTest.objects.get(pk=fact.pk), by=keeper)
    assert last(chore).state == State.DONE


def test_undoing_one_of_two_entries_leaves_it_done(
    chore: Chore, train: Train, keeper: User, owner: User
) -> None:
    first = outlet_test(train, keeper)
    second = outlet_test(train, owner, position=3)
    acts.undo(first, by=keeper)
    turn = last(chore)
    assert (turn.state, turn.state_by) == (State.DONE, owner)
    assert turn.fact == f"outlet-test/{second.pk}"


def test_a_correction_stands_for_what_it_corrects(chore: Chore, train: Train, keeper: User) -> None:
    fact = outlet_test(train, keeper)
    fresh = acts.correct(fact, by=keeper, why="misread", value_mg_l=0.02)
    assert last(chore).state == State.DONE
    acts.undo(fresh, by=keeper)  # the first one holds again
    assert (last(chore).state, last(chore).fact) == (State.DONE, f"outlet-test/{fact.pk}")
    acts.undo(OutletTest.objects.get(pk=fact.pk), by=keeper)
    assert last(chore).state == State.OPEN


def test_a_correction_to_an_earlier_day_opens_the_turn(
    chore: Chore, train: Train, keeper: User
) -> None:
    fact = outlet_test(train, keeper)
    acts.correct(fact, by=keeper, why="it was Monday", at=fact.at - 3 * DAY)
    assert last(chore).state == State.OPEN


def test_the_log_form_completes_the_turn(
    chore: Chore, train: Train, as_keeper: Client, keeper: User
) -> None:
    address = chores.log_address(chore)
    assert as_keeper.get(address).status_code == 200
    stage = train.stages.get(position=2)
    sent = {"stage": stage.pk, "value_mg_l": "0.03", "species": "total", "kit": "drops", "at": ""}
    assert as_keeper.post(address, sent).status_code == 302
    assert (last(chore).state, last(chore).state_by) == (State.DONE, keeper)


def test_logging_without_chores_costs_one_question_more(train: Train, keeper: User) -> None:
    outlet_test(train, keeper)
    assert not ChoreTurn.objects.exists() and not Chore.objects.exists()
