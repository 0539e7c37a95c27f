"""Two people, or two runs, at one moment: neither may undo what the other wrote."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from cartridges.models import Estimate, Note, Train
from cartridges.services import acts, estimates
from hobbyhydro.households.models import User


def while_it_runs(monkeypatch: pytest.MonkeyPatch, happens: Any) -> None:
    """Let something happen once between the reading of the facts and the writing of the rows."""
    real, pending = estimates.estimate_train, [happens]

    def interrupted(*args: Any, **named: Any) -> Any:
        found = real(*args, **named)
        if pending:
            pending.pop()()
        return found

    monkeypatch.setattr(estimates, "estimate_train", interrupted)


def test_what_is_logged_during_a_calculation_leaves_the_train_stale(
    train: Train, keeper: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen_by_another = Train.objects.get(pk=train.pk)
    note = Note(train=seen_by_another, at=timezone.now(), text="meanwhile")
    while_it_runs(monkeypatch, lambda: acts.log(note, by=keeper))
    estimates.refresh(train)
    assert train.stale and Train.objects.get(pk=train.pk).stale
    assert Estimate.objects.filter(train=train).count() == 3
    estimates.refresh(train)
    assert not Train.objects.get(pk=train.pk).stale


def test_of_two_calculations_at_once_the_one_begun_later_is_kept(
    train: Train, monkeypatch: pytest.MonkeyPatch
) -> None:
    later: list[Train] = []

    def another() -> None:
        later.append(Train.objects.get(pk=train.pk))
        estimates.refresh(later[0])

    while_it_runs(monkeypatch, another)
    estimates.refresh(train)
    kept = Train.objects.get(pk=train.pk)
    assert kept.estimated_at == later[0].estimated_at == train.estimated_at
    assert {row.computed_at for row in Estimate.objects.all()} == {kept.estimated_at}


def test_a_calculation_that_dies_is_made_again(
    train: Train, monkeypatch: pytest.MonkeyPatch
) -> None:
    estimates.refresh(train)

    def dies() -> None:
        raise MemoryError

    while_it_runs(monkeypatch, dies)
    with pytest.raises(MemoryError):
        estimates.refresh(train)
    assert Estimate.objects.filter(train=train).count() == 3
    assert estimates.needs_refresh(Train.objects.get(pk=train.pk))


def test_undo_of_what_was_corrected_meanwhile_undoes_nothing(train: Train, keeper: User) -> None:
    first = acts.log(Note(train=train, at=timezone.now(), text="cloudy"), by=keeper)
    second = acts.correct(first, by=keeper, why="", text="milky")
    seen_by_another = Note.objects.get(pk=second.pk)
    acts.correct(second, by=keeper, why="", text="clear")
    assert acts.undo(seen_by_another, by=keeper) == []
    assert [note.text for note in Note.objects.standing()] == ["clear"]
