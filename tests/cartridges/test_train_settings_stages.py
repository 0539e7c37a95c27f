"""Stages of a train that runs: added, moved, changed, taken out."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Estimate, Fitting, Train
from cartridges.services import estimates, placements
from cartridges.services import stages as work

from .setup_answers import says

TYPED = "%Y-%m-%dT%H:%M"


def order(train: Train) -> list[str]:
    standing = work.standing(train)
    assert [s.position for s in standing] == list(range(1, len(standing) + 1))
    return [s.kind for s in standing]


def stage_at(train: Train, position: int) -> Any:
    return train.stages.get(position=position, retired_at__isnull=True)


def take_out(client: Client, pk: int, at: dt.datetime, **changes: str) -> Any:
    typed = {"at": timezone.localtime(at).strftime(TYPED), "cartridge": "throw_away", **changes}
    return client.post(f"/stages/{pk}/retire/", typed)


def test_works(as_viewer: Client, train: Train) -> None:
    page = as_viewer.get(f"/trains/{train.pk}/stages/")
    assert [row["stage"].position for row in page.context["rows"]] == [1, 2, 3]
    assert all(row["stay"] for row in page.context["rows"])
    assert "Add a stage" not in page.content.decode()


@pytest.mark.parametrize(
    ("position", "wanted"),
    [
        ("1", ["other", "sediment", "carbon_block", "catalytic_carbon"]),
        ("2", ["sediment", "other", "carbon_block", "catalytic_carbon"]),
        ("4", ["sediment", "carbon_block", "catalytic_carbon", "other"]),
    ],
)
def test_new_works(as_keeper: Client, train: Train, position: str, wanted: list[str]) -> None:
    assert as_keeper.get(f"/trains/{train.pk}/stages/new/").status_code == 200
    typed = {"kind": "other", "housing": "other", "position": position}
    answer = as_keeper.post(f"/trains/{train.pk}/stages/new/", typed)
    assert answer.headers["Location"] == f"/trains/{train.pk}/stages/"
    assert order(train) == wanted
    assert len(placements.in_service(train)) == 3, "the cartridges move with their stages"


@pytest.mark.parametrize(
    ("field", "typed"),
    [("kind", "magic"), ("housing", ""), ("position", "9"), ("position", ""), ("position", "x")],
)
def test_new_keeps_what_was_typed(as_keeper: Client, train: Train, field: str, typed: str) -> None:
    sent = {"kind": "other", "housing": "other", "position": "1", field: typed}
    answer = as_keeper.post(f"/trains/{train.pk}/stages/new/", sent)
    assert says(answer, field)
    assert len(order(train)) == 3


def test_new_stops_at_twelve(as_keeper: Client, train: Train) -> None:
    for position in range(4, 13):
        train.stages.create(position=position, kind="other")
    typed = {"kind": "other", "housing": "other", "position": "1"}
    as_keeper.post(f"/trains/{train.pk}/stages/new/", typed)
    assert len(order(train)) == 12


def test_move_works(as_keeper: Client, train: Train) -> None:
    as_keeper.post(f"/stages/{stage_at(train, 3).pk}/move/", {"to": "up", "when": "always"})
    assert order(train) == ["sediment", "catalytic_carbon", "carbon_block"]
    as_keeper.post(f"/stages/{stage_at(train, 1).pk}/move/", {"to": "down", "when": "always"})
    assert order(train) == ["catalytic_carbon", "sediment", "carbon_block"]


@pytest.mark.parametrize(("position", "to"), [(1, "up"), (3, "down"), (2, "sideways"), (2, "")])
def test_move_stays_where_there_is_no_place(
    as_keeper: Client, train: Train, position: int, to: str
) -> None:
    before = order(train)
    as_keeper.post(f"/stages/{stage_at(train, position).pk}/move/", {"to": to, "when": "always"})
    assert order(train) == before


def test_move_changes_the_estimates(as_keeper: Client, train: Train) -> None:
    estimates.refresh(train)
    second = stage_at(train, 2)
    before = Estimate.objects.get(stage=second).outlet_total_p50_mg_l
    as_keeper.post(f"/stages/{second.pk}/move/", {"to": "down", "when": "always"})
    train.refresh_from_db()
    if train.stale:  # the last calculation took too long to be done with the save
        estimates.refresh(train)
    after = Estimate.objects.get(stage=second).outlet_total_p50_mg_l
    assert before is not None and after is not None
    assert after < before, "behind the other carbon it passes less"


def test_change_works(as_keeper: Client, train: Train) -> None:
    stage = stage_at(train, 2)
    assert as_keeper.get(f"/stages/{stage.pk}/change/").status_code == 200
    as_keeper.post(f"/stages/{stage.pk}/change/", {"kind": "granular_carbon", "housing": "20x4.5"})
    stage.refresh_from_db()
    assert (stage.kind, stage.housing, stage.position) == ("granular_carbon", "20x4.5", 2)


def test_change_keeps_what_was_typed(as_keeper: Client, train: Train) -> None:
    stage = stage_at(train, 2)
    answer = as_keeper.post(f"/stages/{stage.pk}/change/", {"kind": "other", "housing": "vast"})
    assert says(answer, "housing")
    assert answer.context["form"]["kind"].value() == "other"


@pytest.mark.parametrize(("choice", "gone"), [("throw_away", True), ("keep", False)])
def test_retire_works(as_keeper: Client, train: Train, choice: str, gone: bool) -> None:
    stage = stage_at(train, 2)
    cartridge = placements.in_service(train)[stage.pk].cartridge
    page = as_keeper.get(f"/stages/{stage.pk}/retire/")
    assert "What becomes of the cartridge" in page.content.decode()
    take_out(as_keeper, stage.pk, timezone.now(), cartridge=choice)
    stage.refresh_from_db()
    cartridge.refresh_from_db()
    assert stage.retired_at is not None
    assert (cartridge.discarded_at is not None) == gone
    assert order(train) == ["sediment", "catalytic_carbon"]
    assert stage.pk not in placements.in_service(train)
    assert Fitting.objects.standing().filter(stage=stage).count() == 2, "its history stays"


def test_retire_of_an_empty_stage_asks_less(as_keeper: Client, train: Train) -> None:
    stage = work.add(train, kind="other", housing="other", position=4)
    assert "cartridge" not in as_keeper.get(f"/stages/{stage.pk}/retire/").context["form"].fields
    take_out(as_keeper, stage.pk, timezone.now())
    assert len(order(train)) == 3


@pytest.mark.parametrize(
    ("at", "choice", "field"),
    [
        ("2999-01-01T10:00", "keep", "at"),
        ("1800-01-01T10:00", "keep", "at"),
        ("soon", "keep", "at"),
        (None, "", "cartridge"),
        (None, "eat it", "cartridge"),
    ],
)
def test_retire_keeps_what_was_typed(
    as_keeper: Client, train: Train, at: str | None, choice: str, field: str
) -> None:
    stage = stage_at(train, 2)
    sent = {"at": at or timezone.localtime().strftime(TYPED), "cartridge": choice}
    answer = as_keeper.post(f"/stages/{stage.pk}/retire/", sent)
    assert says(answer, field)
    assert len(order(train)) == 3


def test_retire_refuses_a_moment_before_its_cartridge(as_keeper: Client, train: Train) -> None:
    stage = stage_at(train, 2)
    answer = take_out(as_keeper, stage.pk, train.started_at - dt.timedelta(days=3))
    assert "later than that" in says(answer, "at")
    stage.refresh_from_db()
    assert stage.retired_at is None
    assert Fitting.objects.count() == 3


def test_a_retired_stage_is_no_longer_changed(as_keeper: Client, train: Train) -> None:
    stage = stage_at(train, 3)
    take_out(as_keeper, stage.pk, timezone.now())
    for act in ("move", "change", "retire"):
        assert as_keeper.post(f"/stages/{stage.pk}/{act}/").status_code == 404


def test_what_came_out_of_a_retired_stage_does_not_go_back_in(
    as_keeper: Client, train: Train
) -> None:
    """No water runs through a stage that is gone, so a cartridge there is one too many."""
    stage = stage_at(train, 2)
    take_out(as_keeper, stage.pk, timezone.now(), cartridge="keep")
    emptied = Fitting.objects.standing().get(stage=stage, cartridge__isnull=True)
    as_keeper.post(f"/facts/swap/{emptied.pk}/undo/")
    assert Fitting.objects.standing().filter(pk=emptied.pk).exists()
    assert set(placements.in_service(train)) == {stage_at(train, 1).pk, stage_at(train, 2).pk}


def test_move_rejects_get(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(f"/stages/{stage_at(train, 2).pk}/move/").status_code == 405


@pytest.mark.parametrize("act", ["move", "change", "retire"])
def test_needs_keeper(as_viewer: Client, train: Train, act: str) -> None:
    assert as_viewer.post(f"/stages/{stage_at(train, 2).pk}/{act}/").status_code == 403
    assert as_viewer.get(f"/stages/{stage_at(train, 2).pk}/{act}/").status_code in (403, 405)
    assert as_viewer.get(f"/trains/{train.pk}/stages/new/").status_code == 403


@pytest.mark.parametrize("act", ["move", "change", "retire"])
def test_hides_from_strangers(as_stranger: Client, train: Train, act: str) -> None:
    assert as_stranger.post(f"/stages/{stage_at(train, 2).pk}/{act}/").status_code == 404
    assert as_stranger.get(f"/trains/{train.pk}/stages/").status_code == 404
    assert as_stranger.post(f"/trains/{train.pk}/stages/new/").status_code == 404


def test_arrange_refuses_a_stage_twice(train: Train) -> None:
    first = stage_at(train, 1)
    with pytest.raises(ValueError, match="twice"):
        work.arrange(train, [first, first])


def test_moving_asks_whether_it_is_so_now_or_always_was(as_keeper: Client, train: Train) -> None:
    page = as_keeper.post(f"/stages/{stage_at(train, 2).pk}/move/", {"to": "down"})
    assert page.status_code == 200
    assert "They always were that way round" in page.content.decode()
    assert [s.kind for s in train.stages.all()] == ["sediment", "carbon_block", "catalytic_carbon"]


def test_housings_that_trade_places_now_leave_the_past_as_it_was(
    as_keeper: Client, train: Train
) -> None:
    second, third = stage_at(train, 2), stage_at(train, 3)
    held = placements.in_service(train)
    before = placements.stays(train)
    as_keeper.post(f"/stages/{second.pk}/move/", {"to": "down", "when": "now"})
    after = placements.in_service(train)
    assert after[second.pk].cartridge == held[third.pk].cartridge
    assert after[third.pk].cartridge == held[second.pk].cartridge
    assert [s.kind for s in train.stages.all()] == ["sediment", "catalytic_carbon", "carbon_block"]
    past = [s for s in placements.stays(train) if s.end is not None]
    assert {(s.stage.pk, s.cartridge.pk, s.start) for s in past} == {
        (s.stage.pk, s.cartridge.pk, s.start)
        for s in before
        if s.stage.pk in after and s.stage.pk != stage_at(train, 1).pk
    }
    assert len({s.fitting.act for s in after.values() if s.fitting.act}) == 1
