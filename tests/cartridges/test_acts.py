"""Acts: whole or not at all, with their history, and never twice."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from cartridges.models import CartridgeSpec, Fitting, MeterReading, Note, Shutoff, Train
from cartridges.services import acts, placements
from cartridges.services.contradictions import refuse_contradiction
from hobbyhydro.households.models import Household, User
from tests.trains import build_train

NOW = timezone.now
DAY = dt.timedelta(days=1)


def spare(train: Train, key: str = "catalytic-slim"):
    [cartridge] = acts.buy(
        household=train.household, spec=CartridgeSpec.objects.get(starter_key=key)
    )
    return cartridge


def test_stays_follow_from_fittings(train: Train):
    held = placements.in_service(train)
    assert [held[s.pk].cartridge.spec.starter_key for s in train.stages.all()] == [
        "sediment-5-slim",
        "block-slim",
        "catalytic-slim",
    ]
    assert placements.shelf(train.household) == []


def test_swap_ends_the_former_stay_and_empties_the_shelf(train: Train, keeper: User):
    stage = train.stages.get(position=3)
    old = placements.in_service(train)[stage.pk].cartridge
    new = spare(train)
    assert placements.shelf(train.household) == [new]
    at = NOW() - DAY
    acts.swap(stage=stage, cartridge=new, at=at, by=keeper)
    assert placements.in_service(train)[stage.pk].cartridge == new
    assert placements.shelf(train.household) == []
    [gone] = placements.spent(train.household)
    assert (gone.cartridge, gone.end) == (old, at)


def test_swap_marks_the_train_stale(train: Train, keeper: User):
    Train.objects.update(stale=False)
    acts.swap(
        stage=train.stages.get(position=1),
        cartridge=spare(train, "sediment-5-slim"),
        at=NOW(),
        by=keeper,
    )
    train.refresh_from_db()
    assert train.stale


def test_rotation_moves_the_second_carbon_forward(train: Train, keeper: User):
    first, second = (train.stages.get(position=p) for p in (2, 3))
    lead, lag = (placements.in_service(train)[s.pk].cartridge for s in (first, second))
    new = spare(train)
    acts.rotate(train=train, at=NOW(), by=keeper, new_cartridge=new)
    held = placements.in_service(train)
    assert held[first.pk].cartridge == lag
    assert held[second.pk].cartridge == new
    assert [s.cartridge for s in placements.spent(train.household)] == [lead]


def test_undo_of_a_rotation_undoes_all_of_it(train: Train, keeper: User):
    before = {k: s.cartridge for k, s in placements.in_service(train).items()}
    fittings = acts.rotate(train=train, at=NOW(), by=keeper, new_cartridge=spare(train))
    undone = acts.undo(fittings[0], by=keeper, why="wrong train")
    assert len(undone) == 2
    assert {k: s.cartridge for k, s in placements.in_service(train).items()} == before
    acts.redo(fittings[1], by=keeper)
    assert {k: s.cartridge for k, s in placements.in_service(train).items()} != before


def test_rotation_needs_two_carbons_and_leaves_nothing_half_done(train: Train, keeper: User):
    acts.empty(stage=train.stages.get(position=3), at=NOW() - DAY, by=keeper)
    count = Fitting.objects.count()
    with pytest.raises(acts.ActError, match="two carbon stages"):
        acts.rotate(train=train, at=NOW(), by=keeper, new_cartridge=spare(train))
    assert Fitting.objects.count() == count


def test_back_dated_swap_slips_in_between(train: Train, keeper: User):
    stage = train.stages.get(position=1)
    late, early = spare(train, "sediment-5-slim"), spare(train, "sediment-5-slim")
    acts.swap(stage=stage, cartridge=late, at=NOW() - 2 * DAY, by=keeper)
    acts.swap(stage=stage, cartridge=early, at=NOW() - 20 * DAY, by=keeper)
    stays = [s for s in placements.stays(train) if s.stage == stage]
    assert [s.cartridge for s in stays][1:] == [early, late]
    assert stays[1].end == stays[2].start
    assert stays[2].end is None


def test_correction_keeps_the_old_value_who_when_and_why(train: Train, owner: User, keeper: User):
    old = train.meter_readings.standing().in_order().last()
    fresh = acts.correct(old, by=keeper, why="misread a 7", reading_l=old.reading_l + 10)
    old.refresh_from_db()
    assert not old.stands and old.withdrawn_by == keeper
    assert (fresh.replaces, fresh.why, fresh.logged_by, fresh.at) == (
        old,
        "misread a 7",
        keeper,
        old.at,
    )
    assert [v.reading_l for v in fresh.versions()] == [old.reading_l + 10, old.reading_l]
    assert old.logged_by == owner


def test_undoing_a_correction_lets_the_old_value_hold_again(train: Train, keeper: User):
    old = train.meter_readings.standing().in_order().last()
    fresh = acts.correct(old, by=keeper, why="misread", reading_l=1.0)
    acts.undo(fresh, by=keeper)
    old.refresh_from_db()
    assert old.stands and not MeterReading.objects.get(pk=fresh.pk).stands


def test_a_withdrawn_fact_cannot_be_corrected(train: Train, keeper: User):
    note = acts.log(Note(train=train, at=NOW(), text="cloudy"), by=keeper)
    acts.undo(note, by=keeper)
    with pytest.raises(acts.ActError, match="in the meantime"):
        acts.correct(note, by=keeper, why="", text="clear")


def test_redo_of_what_a_correction_replaced_is_refused(train: Train, keeper: User):
    note = acts.log(Note(train=train, at=NOW(), text="cloudy"), by=keeper)
    acts.correct(note, by=keeper, why="typo", text="clear")
    with pytest.raises(acts.ActError, match="correction"):
        acts.redo(Note.objects.get(pk=note.pk), by=keeper)


def test_shut_off_and_turn_on(train: Train, keeper: User):
    start = NOW() - 3 * DAY
    acts.shut_off(train=train, at=start, by=keeper)
    closed = acts.turn_on(train=train, at=start + DAY, by=keeper)
    assert (closed.at, closed.until) == (start, start + DAY)
    assert Shutoff.objects.standing().count() == 1
    with pytest.raises(acts.ActError, match="not shut off"):
        acts.turn_on(train=train, at=NOW(), by=keeper)


@pytest.mark.parametrize(
    ("start", "end"), [(-5, -2), (-3.5, -3.2), (-6, None), (-3.1, None)], ids=str
)
def test_overlapping_shut_offs_are_refused(train: Train, keeper: User, start, end):
    acts.shut_off(train=train, at=NOW() - 4 * DAY, until=NOW() - 3 * DAY, by=keeper)
    with pytest.raises(acts.ActError, match="already off"):
        acts.shut_off(
            train=train,
            at=NOW() + start * DAY,
            until=None if end is None else NOW() + end * DAY,
            by=keeper,
        )


def test_emptying_an_empty_stage_is_refused(train: Train, keeper: User):
    stage = train.stages.get(position=2)
    acts.empty(stage=stage, at=NOW() - DAY, by=keeper)
    with pytest.raises(acts.ActError, match="holds no cartridge"):
        acts.empty(stage=stage, at=NOW(), by=keeper)


def test_the_same_cartridge_is_not_fitted_twice_in_its_place(train: Train, keeper: User):
    stage = train.stages.get(position=2)
    held = placements.in_service(train)[stage.pk].cartridge
    with pytest.raises(acts.ActError, match="already"):
        acts.swap(stage=stage, cartridge=held, at=NOW(), by=keeper)


def test_a_cartridge_does_not_go_from_one_train_into_another(
    train: Train, household: Household, keeper: User
):
    """What it took up in the first would be forgotten: it would count as new."""
    other = build_train(household, keeper, name="Rack")
    worn = placements.in_service(train)[train.stages.get(position=2).pk].cartridge
    with pytest.raises(acts.ActError, match="Basement drip"):
        acts.swap(stage=other.stages.get(position=2), cartridge=worn, at=NOW(), by=keeper)


def test_redo_does_not_put_a_cartridge_into_a_second_train(
    train: Train, household: Household, keeper: User
):
    other, new = build_train(household, keeper, name="Rack"), spare(train)
    first = acts.swap(
        stage=train.stages.get(position=3), cartridge=new, at=NOW() - 2 * DAY, by=keeper
    )
    acts.undo(first, by=keeper)
    acts.swap(stage=other.stages.get(position=3), cartridge=new, at=NOW() - DAY, by=keeper)
    acts.redo(first, by=keeper)
    with pytest.raises(acts.ActError, match="two trains"):
        refuse_contradiction(first)
