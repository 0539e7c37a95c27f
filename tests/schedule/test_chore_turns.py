"""When chores fall due: made when looked for, once, and never more than one open turn each."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import CartridgeSpec, Estimate, SwitchPeriod, Train
from cartridges.services import acts, placements
from hobbyhydro.households.models import Household, User
from schedule.models import Chore, ChoreTurn
from schedule.services import chore_acts, chores
from schedule.starter_chores import FLUSH, STARTERS

DAY = dt.timedelta(days=1)


def today() -> dt.date:
    return timezone.localdate()


def due(household: Household, *, ahead: int = 0, on: dt.date | None = None) -> list[ChoreTurn]:
    return chores.due(household, today=on or today(), days_ahead=ahead)


def own(household: Household, *, rule: str = "FREQ=WEEKLY", days_ago: int = 0) -> Chore:
    """A chore of the household's own, counted from some days ago."""
    start = today() - days_ago * DAY
    return Chore.objects.create(household=household, title="Rinse", rule=rule, start=start)


def of(chore: Chore, turns: list[ChoreTurn]) -> list[dt.date]:
    return [t.now_due_on for t in turns if t.chore_id == chore.pk]


def open_turn(chore: Chore) -> ChoreTurn:
    return chore.turns.get(state=ChoreTurn.State.OPEN)


def starter(train: Train, key: str) -> Chore:
    return train.chores.get(starter_key=key)


def swap(train: Train, position: int, by: User, *, key: str, days_ago: int = 0) -> None:
    [fresh] = acts.buy(household=train.household, spec=CartridgeSpec.objects.get(starter_key=key))
    at = timezone.now() - days_ago * DAY
    acts.swap(stage=train.stages.get(position=position), cartridge=fresh, at=at, by=by)


# Starters


def test_a_train_starts_with_its_chores_once(train: Train, household: Household) -> None:
    due(household)
    due(household)
    keys = list(train.chores.values_list("starter_key", flat=True))
    assert sorted(keys) == sorted(s.key for s in STARTERS)


def test_no_starter_is_due_on_the_first_day(train: Train, household: Household) -> None:
    assert due(household) == []


def test_a_train_that_is_being_set_up_has_no_chores_yet(train: Train, household: Household) -> None:
    Train.objects.update(set_up_at=None)
    assert due(household, ahead=365) == [] and not Chore.objects.exists()


def test_a_train_without_meter_is_not_asked_to_read_one(train: Train, household: Household) -> None:
    train.meters.update(withdrawn_at=timezone.now())
    due(household)
    assert not train.chores.filter(starter_key="meter").exists()
    train.meters.update(withdrawn_at=None)
    due(household)
    assert train.chores.filter(starter_key="meter").exists()


def test_with_one_carbon_the_test_is_behind_it(train: Train, household: Household) -> None:
    train.stages.filter(position=3).update(retired_at=timezone.now())
    due(household)
    assert starter(train, "test-weekly").title == "Test the water behind the carbon"


def test_a_removed_starter_does_not_come_back_by_itself(train: Train, household: Household) -> None:
    due(household)
    chore_acts.remove(starter(train, "lines"))
    turns = due(household, ahead=60)
    assert "lines" not in {t.chore.starter_key for t in turns}
    assert train.chores.filter(starter_key="lines").count() == 1


# By the calendar


def test_the_next_turn_is_kept_and_the_later_ones_are_only_shown(household: Household) -> None:
    chore = own(household)
    turns = due(household, ahead=30)
    assert of(chore, turns) == [today() + k * 7 * DAY for k in range(5)]
    assert [t.pk is not None for t in turns] == [True, False, False, False, False]
    assert chore.turns.count() == 1


def test_looking_twice_makes_nothing_twice(household: Household) -> None:
    chore = own(household, days_ago=3)
    first, second = due(household), due(household)
    assert [t.pk for t in first] == [t.pk for t in second] == [open_turn(chore).pk]


def test_two_open_turns_of_one_chore_cannot_be(household: Household) -> None:
    chore = own(household)
    due(household)
    with pytest.raises(IntegrityError), transaction.atomic():
        chore.turns.create(due_on=today() + DAY)


def test_what_was_missed_waits_once_however_long(household: Household, keeper: User) -> None:
    chore = own(household, days_ago=30)  # missed on five days
    turns = due(household)
    assert of(chore, turns) == [today() - 30 * DAY]
    chore_acts.done(open_turn(chore), by=keeper)
    assert of(chore, due(household, ahead=10)) == [today() + 5 * DAY]


def test_done_on_the_day_of_a_later_turn_covers_that_one(
    household: Household, keeper: User
) -> None:
    chore = own(household, days_ago=7)  # missed a week ago, and due today again
    assert of(chore, due(household)) == [today() - 7 * DAY]
    chore_acts.done(open_turn(chore), by=keeper)
    assert of(chore, due(household, ahead=7)) == [today() + 7 * DAY]


def test_skipping_an_old_turn_leaves_todays_own(household: Household, keeper: User) -> None:
    chore = own(household, days_ago=7)
    due(household)
    chore_acts.skip(open_turn(chore), by=keeper, reason="away")
    assert of(chore, due(household)) == [today()]


def test_done_early_is_done_for_its_day(household: Household, keeper: User) -> None:
    chore = own(household, days_ago=4)
    due(household)
    chore_acts.done(open_turn(chore), by=keeper)
    due(household)
    chore_acts.done(open_turn(chore), by=keeper)  # three days before its day
    assert of(chore, due(household, ahead=20)) == [today() + 10 * DAY, today() + 17 * DAY]


def test_put_off_moves_the_turn_and_what_follows_it(household: Household, keeper: User) -> None:
    chore = own(household)
    due(household)
    later = today() + 9 * DAY
    chore_acts.put_off(open_turn(chore), to=later, by=keeper, reason="no kit")
    assert of(chore, due(household, ahead=15)) == [later, today() + 14 * DAY]
    assert open_turn(chore).due_on == today()


def test_a_far_turn_is_shown_and_kept_only_when_near(household: Household) -> None:
    chore = own(household, rule="FREQ=MONTHLY;INTERVAL=6", days_ago=1)
    due(household)
    chore_acts.done(open_turn(chore), by=None)
    [turn] = due(household, ahead=365)
    assert turn.pk is None and turn.now_due_on > today() + 150 * DAY
    assert due(household, ahead=30) == []


def test_a_changed_rule_moves_the_open_turn(household: Household) -> None:
    chore = own(household)
    due(household)
    kept = open_turn(chore).pk
    chore.start = today() + 2 * DAY
    chore.save(update_fields=["start"])
    assert of(chore, due(household, ahead=5)) == [today() + 2 * DAY]
    assert open_turn(chore).pk == kept


def test_a_rule_that_has_ended_asks_for_nothing(household: Household, keeper: User) -> None:
    chore = own(household, rule="FREQ=DAILY;COUNT=1")
    due(household)
    chore_acts.done(open_turn(chore), by=keeper)
    assert due(household, ahead=365) == []


def test_the_day_is_the_households_and_not_that_of_utc(household: Household) -> None:
    household.time_zone = "Pacific/Auckland"
    household.save(update_fields=["time_zone"])
    chore = own(household, rule="FREQ=DAILY")
    due(household, on=dt.date(2026, 7, 1))
    evening_in_utc = dt.datetime(2026, 6, 30, 20, 0, tzinfo=dt.UTC)  # 1 July there
    chore.start = dt.date(2026, 7, 1)
    chore.save(update_fields=["start"])
    due(household, on=dt.date(2026, 7, 1))
    chore_acts.done(open_turn(chore), by=None, at=evening_in_utc)
    assert of(chore, due(household, on=dt.date(2026, 7, 1), ahead=1)) == [dt.date(2026, 7, 2)]


# Pause


def test_a_paused_chore_asks_for_nothing_and_owes_nothing(
    household: Household, keeper: User
) -> None:
    chore = own(household, rule="FREQ=DAILY", days_ago=5)
    due(household)
    chore_acts.pause(chore)
    assert due(household, ahead=30) == []
    chore_acts.resume(chore, by=keeper, today=today())
    assert of(chore, due(household)) == [today()]
    skipped = chore.turns.get(state=ChoreTurn.State.SKIPPED)
    assert skipped.reason == chore_acts.PAUSED and skipped.state_by == keeper


def test_a_removed_chore_comes_back_without_a_backlog(household: Household, keeper: User) -> None:
    chore = own(household, days_ago=10)
    chore_acts.remove(chore)
    assert due(household, ahead=30) == []
    chore_acts.bring_back(chore, by=keeper, today=today())
    assert of(chore, due(household, ahead=6)) == [today() + 4 * DAY]


# As things happen


def test_a_swap_opens_its_chores_and_completes_none(
    train: Train, household: Household, keeper: User
) -> None:
    due(household)
    swap(train, 2, keeper, key="block-slim")
    opened = {t.chore.starter_key for t in due(household)}
    assert opened == {"housings", FLUSH}
    assert not ChoreTurn.objects.exclude(state=ChoreTurn.State.OPEN).exists()


def test_sediment_is_not_flushed(train: Train, household: Household, keeper: User) -> None:
    due(household)
    swap(train, 1, keeper, key="sediment-5-slim")
    assert {t.chore.starter_key for t in due(household)} == {"housings"}


def test_only_carbon_that_was_never_used_is_flushed(
    train: Train, household: Household, keeper: User
) -> None:
    due(household)
    used = placements.in_service(train)[train.stages.get(position=2).pk].cartridge
    acts.swap(stage=train.stages.get(position=3), cartridge=used, at=timezone.now(), by=keeper)
    assert {t.chore.starter_key for t in due(household)} == {"housings"}


def test_a_swap_that_is_undone_asks_for_nothing(
    train: Train, household: Household, keeper: User
) -> None:
    due(household)
    swap(train, 2, keeper, key="block-slim")
    assert due(household)
    acts.undo(train.fittings.latest("at"), by=keeper)
    assert due(household) == []


def test_a_second_swap_waits_in_place_of_the_first(
    train: Train, household: Household, keeper: User
) -> None:
    due(household)
    train.chores.update(start=today() - 10 * DAY)
    swap(train, 2, keeper, key="block-slim", days_ago=6)
    swap(train, 3, keeper, key="catalytic-slim", days_ago=1)
    turns = [t for t in due(household) if t.chore.starter_key == "housings"]
    assert [t.now_due_on for t in turns] == [today() - DAY]
    chore_acts.done(turns[0], by=keeper)
    assert "housings" not in {t.chore.starter_key for t in due(household)}


def declare_switch(train: Train, *, begins: int, ends: int) -> SwitchPeriod:
    now = timezone.now()
    return SwitchPeriod.objects.create(
        source=train.source, at=now + begins * DAY, until=now + ends * DAY
    )


def test_during_a_switch_the_test_comes_daily(
    train: Train, household: Household, keeper: User
) -> None:
    due(household)
    declare_switch(train, begins=0, ends=20)
    daily = [t for t in due(household, ahead=4) if t.chore.log_kind == "outlet-test"]
    assert [t.now_due_on for t in daily] == [today() + k * DAY for k in range(5)]
    chore_acts.done(daily[0], by=keeper)
    again = [t for t in due(household, ahead=4) if t.chore.log_kind == "outlet-test"]
    assert [t.now_due_on for t in again] == [today() + k * DAY for k in range(1, 5)]


def test_after_a_switch_the_test_is_weekly_again(train: Train, household: Household) -> None:
    due(household)
    switch = declare_switch(train, begins=-5, ends=20)
    train.chores.update(start=today() - 5 * DAY)
    assert "test-switch" in {t.chore.starter_key for t in due(household)}
    switch.until = timezone.now() - DAY
    switch.save(update_fields=["until"])
    assert {t.chore.starter_key for t in due(household) if t.chore.log_kind == "outlet-test"} == {
        "test-weekly"
    }


def test_after_a_change_for_good_the_test_comes_daily_while_it_is_new(
    train: Train, household: Household
) -> None:
    due(household)
    switch = declare_switch(train, begins=-20, ends=0)
    switch.until = SwitchPeriod.FOR_GOOD
    switch.save(update_fields=["until"])
    asked = {t.now_due_on for t in due(household, ahead=60) if t.chore.starter_key == "test-switch"}
    assert asked == {today() + k * DAY for k in range(11)}  # thirty days from its beginning


def test_a_switch_of_another_tap_is_not_ours(train: Train, household: Household) -> None:
    due(household)
    other = household.sources.create(name="Rain barrel")
    now = timezone.now()
    SwitchPeriod.objects.create(source=other, at=now - DAY, until=now + 9 * DAY)
    assert due(household) == []


def estimated(train: Train, *, planned_in_days: float) -> None:
    """The first carbon, sixty days old, planned to be swapped in so many days."""
    stay = placements.in_service(train)[train.stages.get(position=2).pk]
    Estimate.objects.update_or_create(
        stage=stay.stage,
        defaults={
            "train": train,
            "cartridge": stay.cartridge,
            "fitted_at": stay.start,
            "computed_at": timezone.now(),
            "fingerprint": "x",
            "volume_l": 1.0,
            "planned_at": timezone.now() + dt.timedelta(days=planned_in_days),
        },
    )


@pytest.mark.parametrize(
    ("planned_in_days", "asked_today"),
    # Sixty days old: of a life of 70 days the last seven are the last tenth, of 64 the last 6.4.
    [(10, False), (4, True), (-2, True)],
)
def test_in_the_last_tenth_of_the_first_carbon_the_test_comes_daily(
    train: Train, household: Household, planned_in_days: float, asked_today: bool
) -> None:
    due(household)
    estimated(train, planned_in_days=planned_in_days)
    keys = {t.chore.starter_key for t in due(household)}
    assert ("test-last-tenth" in keys) is asked_today


def test_the_last_tenth_begins_nine_tenths_into_the_life(
    train: Train, household: Household
) -> None:
    due(household)
    estimated(train, planned_in_days=40)  # a life of 100 days, its last ten from day 90
    first = next(t for t in due(household, ahead=60) if t.chore.starter_key == "test-last-tenth")
    assert first.now_due_on == today() + 30 * DAY


def test_one_test_a_day_is_enough(train: Train, household: Household) -> None:
    due(household)
    train.chores.filter(starter_key="test-weekly").update(start=today())
    declare_switch(train, begins=-1, ends=20)
    estimated(train, planned_in_days=2)
    asked = [t for t in due(household) if t.chore.log_kind == "outlet-test"]
    assert len(asked) == 1


# Cost


def test_the_queries_do_not_grow_with_the_chores(train: Train, household: Household) -> None:
    due(household)
    with CaptureQueriesContext(connection) as few:
        due(household, ahead=60)
    for k in range(20):
        own(household, rule="FREQ=DAILY", days_ago=k)
    due(household)
    with CaptureQueriesContext(connection) as many:
        due(household, ahead=60)
    assert len(many) == len(few) <= 8
