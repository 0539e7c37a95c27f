"""The guided set-up as a whole: from the tap to the first answer, left and taken up again."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Estimate, Fitting, RestrictorFitting, Source, SourceReading, Train
from hobbyhydro.households.models import Household

from .setup_answers import FLOW, STAGES, TRAIN, WATER, cartridges_of, send, walk

STEPS = ("water", "train", "stages", "cartridges", "flow", "answer", "finish")


def test_works_from_the_tap_to_the_end(as_keeper: Client, household: Household) -> None:
    page = as_keeper.get("/setup/")
    assert page.status_code == 200
    train = walk(as_keeper)

    answer = as_keeper.get(f"/setup/{train.pk}/answer/")
    rows = list(Estimate.objects.filter(train=train))
    assert [row.stage.position for row in rows] == [1, 2, 3]
    for row in rows:
        assert row.days_p50 is not None and row.days_p50 > 0
        assert f'<span class="figure-big">{row.days_p50}</span>' in answer.content.decode()
    assert "train-picture" in answer.content.decode()
    assert Train.objects.get(pk=train.pk).set_up_at is None, "the answer comes before the end"

    assert as_keeper.get(f"/setup/{train.pk}/finish/").status_code == 200
    done = as_keeper.post(f"/setup/{train.pk}/finish/", {"go": "next"})
    assert done.headers["Location"] == reverse("train", args=[train.pk])
    train.refresh_from_db()
    assert train.set_up_at is not None
    assert train.household == household
    assert train.name == "Cellar line"


def test_facts_are_written_once_with_who_and_when(as_keeper: Client, keeper: object) -> None:
    train = walk(as_keeper)
    for model, count in ((SourceReading, 1), (Fitting, 3), (RestrictorFitting, 1)):
        facts = list(model.objects.all())
        assert len(facts) == count
        assert all(fact.stands and fact.logged_by == keeper for fact in facts)
    assert train.restrictors.get().at == train.started_at
    assert train.household.cartridges.count() == 3


def test_each_step_that_is_sent_again_changes_nothing(as_keeper: Client) -> None:
    train = walk(as_keeper)
    ways = (("water", WATER), ("train", TRAIN), ("flow", FLOW))
    for step, typed in (*ways, ("cartridges", cartridges_of(train))):
        assert send(as_keeper, train, step, typed).status_code == 302
    assert Train.objects.count() == Source.objects.count() == SourceReading.objects.count() == 1
    assert RestrictorFitting.objects.count() == 1
    assert Fitting.objects.standing().count() == 3
    assert train.household.cartridges.count() == 3


def test_sent_twice_begins_one_train(as_keeper: Client) -> None:
    token = as_keeper.get("/setup/").context["token"]
    for _ in range(2):
        send(as_keeper, None, "water", WATER, token=token)
    assert Train.objects.count() == Source.objects.count() == 1


def test_sent_again_after_the_end_begins_no_second_train(as_keeper: Client) -> None:
    token = as_keeper.get("/setup/").context["token"]
    send(as_keeper, None, "water", WATER, token=token)
    train = walk(as_keeper)
    as_keeper.post(f"/setup/{train.pk}/finish/", {"go": "next"})
    again = send(as_keeper, None, "water", WATER, token=token)
    assert again.status_code == 302
    assert Train.objects.count() == 1


@pytest.mark.parametrize(
    ("left_before", "taken_up_at"),
    [
        ("train", "train"),
        ("stages", "train"),
        ("cartridges", "cartridges"),
        ("flow", "flow"),
        ("answer", "answer"),
    ],
)
def test_taken_up_where_it_was_left(as_keeper: Client, left_before: str, taken_up_at: str) -> None:
    train = walk(as_keeper, until=left_before)
    again = as_keeper.get("/setup/")
    assert again.headers["Location"] == f"/setup/{train.pk}/{taken_up_at}/"
    page = as_keeper.get(again.headers["Location"])
    assert page.status_code == 200


def test_what_was_saved_is_shown_on_the_way_back(as_keeper: Client) -> None:
    train = walk(as_keeper)
    water = as_keeper.get(f"/setup/{train.pk}/water/").context["form"]
    assert water["disinfectant"].value() == "chloramine"
    assert water["total_mg_l"].value() == "2"
    assert water["temperature_c"].value() == "64.4"
    flow = as_keeper.get(f"/setup/{train.pk}/flow/").context["form"]
    assert flow["rated_flow_l_day"].value() == "50"
    assert flow["law"].value() == "pressure_compensating"


def test_going_back_saves_what_is_right(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    back = send(as_keeper, train, "train", {**TRAIN, "name": "Attic line"}, go="back")
    assert back.headers["Location"] == f"/setup/{train.pk}/water/"
    train.refresh_from_db()
    assert train.name == "Attic line"


def test_going_back_keeps_what_is_not_right_yet(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    wrong = {**TRAIN, "name": "Attic line", "supply_pressure_kpa": "lots"}
    back = send(as_keeper, train, "train", wrong, go="back")
    assert back.headers["Location"] == f"/setup/{train.pk}/water/"
    train.refresh_from_db()
    assert train.name == "Drip line", "nothing half-saved"
    form = as_keeper.get(f"/setup/{train.pk}/train/").context["form"]
    assert form["name"].value() == "Attic line"
    assert form["supply_pressure_kpa"].value() == "lots"


def test_what_is_typed_is_kept_before_it_is_sent(as_keeper: Client) -> None:
    train = walk(as_keeper, until="flow")
    half = {**FLOW, "rated_flow_l_day": "33"}
    assert send(as_keeper, train, "flow", half, go="keep").status_code == 204
    assert not train.restrictors.exists()
    form = as_keeper.get(f"/setup/{train.pk}/flow/").context["form"]
    assert form["rated_flow_l_day"].value() == "33"
    send(as_keeper, train, "flow", FLOW)
    form = as_keeper.get(f"/setup/{train.pk}/flow/").context["form"]
    assert form["rated_flow_l_day"].value() == "50", "saved, so the draft is gone"


def test_a_step_too_far_leads_to_the_one_that_is_open(as_keeper: Client) -> None:
    train = walk(as_keeper, until="cartridges")
    for step in ("flow", "answer", "finish"):
        away = as_keeper.get(f"/setup/{train.pk}/{step}/")
        assert away.headers["Location"] == f"/setup/{train.pk}/cartridges/"
    send(as_keeper, train, "finish", {"go": "next"})
    train.refresh_from_db()
    assert train.set_up_at is None


def test_a_finished_train_is_changed_in_its_settings(as_keeper: Client, train: Train) -> None:
    for step in STEPS:
        away = as_keeper.get(f"/setup/{train.pk}/{step}/")
        assert away.headers["Location"] == f"/trains/{train.pk}/settings/"


def test_the_end_leads_on_to_what_sharpens_the_answer(as_keeper: Client) -> None:
    train = walk(as_keeper)
    page = as_keeper.get(f"/setup/{train.pk}/finish/").content.decode()
    assert 'value="outlet-test"' in page and 'value="bucket-test"' in page
    assert 'value="meter-reading"' not in page, "there is no meter"
    done = as_keeper.post(f"/setup/{train.pk}/finish/", {"go": "bucket-test"})
    assert done.headers["Location"] == reverse("log-fact", args=[train.pk, "bucket-test"])
    train.refresh_from_db()
    assert train.set_up_at is not None


def test_says_when_the_train_cannot_hold_the_limit(as_keeper: Client) -> None:
    train = walk(as_keeper, until="flow")
    send(as_keeper, train, "flow", {**FLOW, "rated_flow_l_day": "5000"})
    page = as_keeper.get(f"/setup/{train.pk}/answer/")
    assert page.context["too_little"].stage.position == 3
    assert "does not hold your limit" in page.content.decode()


def test_a_change_on_the_way_back_changes_the_answer(as_keeper: Client) -> None:
    train = walk(as_keeper)
    before = as_keeper.get(f"/setup/{train.pk}/answer/").context["estimates"][2].days_p50
    send(as_keeper, train, "flow", {**FLOW, "rated_flow_l_day": "25"})
    after = as_keeper.get(f"/setup/{train.pk}/answer/").context["estimates"][2].days_p50
    assert after >= 2 * before, "half the flow: at least twice the days"


def test_a_second_train_shares_the_tap(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get("/setup/")
    assert page.context["form"]["tap"].value() == str(train.source_id)
    send(as_keeper, None, "water", {"tap": str(train.source_id)})
    second = Train.objects.get(set_up_at__isnull=True)
    assert second.source == train.source
    assert second.name != train.name
    assert Source.objects.count() == 1


def test_a_second_train_on_another_tap(as_keeper: Client, train: Train) -> None:
    send(as_keeper, None, "water", {"tap": "new", **WATER})
    second = Train.objects.get(set_up_at__isnull=True)
    assert second.source != train.source
    assert train.source.readings.count() == 1, "the first tap is as it was"


def test_a_new_tap_does_not_write_over_a_shared_one(as_keeper: Client, train: Train) -> None:
    send(as_keeper, None, "water", {"tap": str(train.source_id)})
    second = Train.objects.get(set_up_at__isnull=True)
    send(as_keeper, second, "water", {"tap": "new", **WATER, "ph": "9.2"})
    second.refresh_from_db()
    train.source.refresh_from_db()
    assert second.source.ph == 9.2
    assert train.source.ph != 9.2


def test_the_end_forgets_what_was_never_saved(as_keeper: Client) -> None:
    train = walk(as_keeper)
    send(as_keeper, train, "flow", {**FLOW, "rated_flow_l_day": "33"}, go="keep")
    assert as_keeper.session["setup_drafts"]
    as_keeper.post(f"/setup/{train.pk}/finish/", {"go": "next"})
    assert as_keeper.session["setup_drafts"] == {}


def test_discard_leaves_the_tap_and_nothing_else(as_keeper: Client, household: Household) -> None:
    train = walk(as_keeper)
    send(as_keeper, train, "flow", {**FLOW, "rated_flow_l_day": "40"})
    assert as_keeper.get(f"/setup/{train.pk}/discard/").status_code == 405
    as_keeper.post(f"/setup/{train.pk}/discard/")
    assert not Train.objects.exists() and not Fitting.objects.exists()
    assert not RestrictorFitting.objects.exists() and not household.cartridges.exists()
    assert Source.objects.count() == 1


def test_discard_spares_a_finished_train(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(f"/setup/{train.pk}/discard/").status_code == 404
    assert Train.objects.filter(pk=train.pk).exists()


@pytest.mark.parametrize("step", [*STEPS, "discard"])
def test_hides_from_strangers(as_keeper: Client, as_stranger: Client, step: str) -> None:
    train = walk(as_keeper)
    assert as_stranger.post(f"/setup/{train.pk}/{step}/").status_code == 404
    assert as_stranger.get(f"/setup/{train.pk}/{step}/").status_code in (404, 405)
    assert Train.objects.filter(pk=train.pk, set_up_at__isnull=True).exists()


@pytest.mark.parametrize("step", [*STEPS, "discard"])
def test_needs_keeper(as_keeper: Client, as_viewer: Client, step: str) -> None:
    train = walk(as_keeper)
    assert as_viewer.post(f"/setup/{train.pk}/{step}/").status_code == 403
    assert as_viewer.get(f"/setup/{train.pk}/{step}/").status_code in (403, 405)


def test_needs_keeper_to_begin(as_viewer: Client) -> None:
    assert as_viewer.get("/setup/").status_code == 403
    assert send(as_viewer, None, "water", WATER).status_code == 403
    assert not Train.objects.exists()


def test_asks_to_sign_in(client: Client, db: None) -> None:
    for answer in (client.get("/setup/"), client.post("/setup/", WATER)):
        assert answer.status_code == 302
        assert answer.headers["Location"].startswith("/account/login/")


def test_stages_sent_again_keep_their_cartridges(as_keeper: Client) -> None:
    train = walk(as_keeper)
    keys = [str(s.pk) for s in train.stages.order_by("position")]
    typed = {**STAGES, **{f"s{k}-stage": pk for k, pk in enumerate(keys)}}
    send(as_keeper, train, "stages", typed)
    assert Fitting.objects.standing().count() == 3
    assert [str(s.pk) for s in train.stages.order_by("position")] == keys
