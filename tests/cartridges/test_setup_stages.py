"""Third step: stages of any number and kind, arranged without scripts."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from cartridges.models import Cartridge, Fitting, OutletTest, Stage, Train
from cartridges.services import acts

from .setup_answers import STAGES, WATER, cartridges_of, send, walk


def kinds(train: Train) -> list[str]:
    return [s.kind for s in train.stages.filter(retired_at__isnull=True).order_by("position")]


def rows(answer: Any) -> list[str]:
    return [row["kind"].value() for row in answer.context["form"].rows]


def test_works(as_keeper: Client) -> None:
    train = walk(as_keeper, until="stages")
    answer = send(as_keeper, train, "stages", STAGES)
    assert answer.headers["Location"] == f"/setup/{train.pk}/cartridges/"
    assert kinds(train) == ["sediment", "catalytic_carbon", "catalytic_carbon"]
    assert [s.position for s in train.stages.all()] == [1, 2, 3]


@pytest.mark.parametrize(
    ("disinfectant", "carbon"),
    [("chloramine", "catalytic_carbon"), ("free_chlorine", "carbon_block")],
)
def test_offers_sediment_and_two_carbons(as_keeper: Client, disinfectant: str, carbon: str) -> None:
    send(as_keeper, None, "water", {**WATER, "disinfectant": disinfectant})
    page = as_keeper.get(f"/setup/{Train.objects.get().pk}/stages/")
    assert rows(page) == ["sediment", carbon, carbon]


@pytest.mark.parametrize(
    ("act", "wanted"),
    [
        ("add", ["sediment", "carbon_block", "other", "carbon_block"]),
        ("up-1", ["carbon_block", "sediment", "other"]),
        ("down-1", ["sediment", "other", "carbon_block"]),
        ("out-1", ["sediment", "other"]),
        ("up-0", ["sediment", "carbon_block", "other"]),
        ("down-2", ["sediment", "carbon_block", "other"]),
        ("out-9", ["sediment", "carbon_block", "other"]),
        ("spin-1", ["sediment", "carbon_block", "other"]),
        ("up-", ["sediment", "carbon_block", "other"]),
    ],
)
def test_rearranges_and_keeps_what_was_chosen(
    as_keeper: Client, act: str, wanted: list[str]
) -> None:
    train = walk(as_keeper, until="stages")
    typed = {**STAGES, "s1-kind": "carbon_block", "s2-kind": "other", "s2-housing": "20x4.5"}
    answer = send(as_keeper, train, "stages", typed, do=act)
    assert answer.status_code == 200
    assert rows(answer) == wanted
    big = [r["kind"].value() for r in answer.context["form"].rows
           if r["housing"].value() == "20x4.5"]  # fmt: skip
    assert big[0] == "other", "each keeps its size"
    assert not train.stages.exists(), "arranging saves nothing"


def test_the_order_of_saved_stages_changes_with_their_cartridges(as_keeper: Client) -> None:
    train = walk(as_keeper)
    first, second, third = train.stages.order_by("position")
    typed = {
        **STAGES,
        "s0-kind": "catalytic_carbon",
        "s0-stage": str(third.pk),
        "s1-kind": "sediment",
        "s1-stage": str(first.pk),
        "s2-stage": str(second.pk),
    }
    send(as_keeper, train, "stages", typed)
    assert list(train.stages.order_by("position")) == [third, first, second]
    assert Fitting.objects.standing().count() == 3


def test_a_stage_that_goes_leaves_nothing_behind(as_keeper: Client) -> None:
    train = walk(as_keeper)
    first, second, _ = train.stages.order_by("position")
    typed = {**STAGES, "rows": "2", "s0-stage": str(first.pk), "s1-stage": str(second.pk)}
    send(as_keeper, train, "stages", typed)
    assert list(train.stages.order_by("position")) == [first, second]
    assert Fitting.objects.count() == Cartridge.objects.count() == 2


def test_a_stage_that_was_tested_is_retired(as_keeper: Client) -> None:
    train = walk(as_keeper)
    first, second, third = train.stages.order_by("position")
    acts.log(
        OutletTest(train=train, stage=third, at=train.started_at, value_mg_l=0.1, below=True),
        by=None,
    )
    typed = {**STAGES, "rows": "2", "s0-stage": str(first.pk), "s1-stage": str(second.pk)}
    send(as_keeper, train, "stages", typed)
    third.refresh_from_db()
    assert third.retired_at is not None
    assert OutletTest.objects.count() == 1


def test_another_kind_gives_the_cartridge_up(as_keeper: Client) -> None:
    train = walk(as_keeper)
    keys = {f"s{k}-stage": str(s.pk) for k, s in enumerate(train.stages.order_by("position"))}
    send(as_keeper, train, "stages", {**STAGES, **keys, "s2-kind": "granular_carbon"})
    assert Fitting.objects.standing().count() == 2
    again = as_keeper.get("/setup/")
    assert again.headers["Location"] == f"/setup/{train.pk}/cartridges/"


def test_one_stage_is_enough_and_none_is_not(as_keeper: Client) -> None:
    train = walk(as_keeper, until="stages")
    none = send(as_keeper, train, "stages", {"rows": "0"})
    assert none.status_code == 200
    assert "at least one stage" in none.content.decode()
    one = {"rows": "1", "s0-kind": "carbon_block", "s0-housing": "other"}
    assert send(as_keeper, train, "stages", one).status_code == 302
    assert kinds(train) == ["carbon_block"]


def test_twelve_are_the_most(as_keeper: Client) -> None:
    train = walk(as_keeper, until="stages")
    many = {"rows": "12"}
    for k in range(12):
        many |= {f"s{k}-kind": "carbon_block", f"s{k}-housing": "10x2.5"}
    answer = send(as_keeper, train, "stages", many, do="add")
    assert len(rows(answer)) == 12
    assert 'value="add"' not in answer.content.decode()
    assert send(as_keeper, train, "stages", many).status_code == 302
    assert train.stages.count() == 12


@pytest.mark.parametrize("field", ["s1-kind", "s1-housing"])
def test_refuses_a_choice_that_was_not_offered(as_keeper: Client, field: str) -> None:
    train = walk(as_keeper, until="stages")
    answer = send(as_keeper, train, "stages", {**STAGES, field: "magic"})
    assert answer.status_code == 200
    assert field.split("-")[1] in answer.context["form"].rows[1].errors
    assert not train.stages.exists()


@pytest.mark.parametrize("count", ["", "-3", "many", "1e9", "99999999999999999999"])
def test_a_count_that_is_none_is_borne(as_keeper: Client, count: str) -> None:
    train = walk(as_keeper, until="stages")
    answer = send(as_keeper, train, "stages", {**STAGES, "rows": count})
    assert answer.status_code == 200
    assert not train.stages.exists()


def test_a_stage_of_another_train_stays_there(as_keeper: Client, train: Train) -> None:
    other = train.stages.first()
    assert other is not None
    send(as_keeper, None, "water", {"tap": str(train.source_id)})
    mine = Train.objects.get(set_up_at__isnull=True)
    send(as_keeper, mine, "stages", {**STAGES, "s0-stage": str(other.pk)})
    other.refresh_from_db()
    assert other.train == train
    assert mine.stages.count() == 3
    assert Stage.objects.filter(train=train).count() == 3


def test_a_stage_listed_twice_is_refused_whole(as_keeper: Client) -> None:
    train = walk(as_keeper)
    first = str(train.stages.order_by("position")[0].pk)
    typed = {**STAGES, "s0-stage": first, "s1-stage": first, "s1-kind": "sediment"}
    answer = send(as_keeper, train, "stages", typed)
    assert answer.status_code == 200
    assert train.stages.count() == 3
    assert Fitting.objects.standing().count() == 3


def test_a_new_stage_asks_for_its_cartridge(as_keeper: Client) -> None:
    train = walk(as_keeper)
    keys = {f"s{k}-stage": str(s.pk) for k, s in enumerate(train.stages.order_by("position"))}
    more = {"rows": "4", "s3-kind": "sediment", "s3-housing": "10x2.5"}
    answer = send(as_keeper, train, "stages", {**STAGES, **keys, **more})
    assert answer.headers["Location"] == f"/setup/{train.pk}/cartridges/"
    assert send(as_keeper, train, "cartridges", cartridges_of(train)).status_code == 302
    assert Fitting.objects.standing().count() == 4
