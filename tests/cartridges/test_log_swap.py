"""Swaps: from the shelf, bought now, nothing at all; and two people at one housing."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Stage, Train
from cartridges.services import acts, placements
from hobbyhydro.households.models import User

from .by_hand import address, ago, errors, messages, send, shown


@pytest.fixture
def stage(train: Train) -> Stage:
    """The carbon block's stage."""
    return train.stages.get(position=2)


@pytest.fixture
def spare(train: Train) -> Cartridge:
    """A carbon block on the shelf."""
    return acts.buy(
        household=train.household, spec=CartridgeSpec.objects.get(starter_key="block-slim")
    )[0]


def where(train: Train) -> str:
    return address(train, "swap")


def here(train: Train, stage: Stage) -> Cartridge | None:
    stay = placements.in_service(train).get(stage.pk)
    return None if stay is None else stay.cartridge


def test_swap_works(as_keeper: Client, train: Train, stage: Stage, spare: Cartridge) -> None:
    response = send(as_keeper, where(train), stage=stage.pk, cartridge=spare.pk)
    said = messages(as_keeper, response)
    assert f"Stage 2: no. {spare.number}" in said
    assert f"through no. {spare.number} to waste first" in said
    assert here(train, stage) == spare
    assert spare not in placements.shelf(train.household)


def test_swap_tells_the_cautions_and_the_flush_volume(
    as_keeper: Client, train: Train, spare: Cartridge
) -> None:
    page = as_keeper.get(where(train)).content.decode()
    assert "relieve the pressure" in page and "Food-grade" in page and "test with a kit" in page
    gallons = round(spare.spec.flush_volume_l / 3.785411784)
    assert f"flush {gallons}\u00a0gal to waste" in page


def test_swap_is_preselected_by_the_address(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    fields = shown(as_keeper, f"{where(train)}?stage={stage.pk}")
    assert (fields["stage"], fields["cartridge"]) == (stage.pk, str(spare.pk))


def test_swap_offers_the_kind_that_was_there(as_keeper: Client, train: Train, stage: Stage) -> None:
    """With no spare on the shelf: one just bought, of the same kind as before."""
    fields = shown(as_keeper, f"{where(train)}?stage={stage.pk}")
    assert (fields["cartridge"], fields["spec"]) == ("new", here(train, stage).spec_id)


@pytest.mark.parametrize("asked", ["x", "-1", "999999", ""])
def test_swap_passes_over_a_stage_that_is_none(as_keeper: Client, train: Train, asked: str) -> None:
    assert as_keeper.get(f"{where(train)}?stage={asked}").status_code == 200


def test_swap_bought_now(as_keeper: Client, train: Train, stage: Stage) -> None:
    spec = here(train, stage).spec
    response = send(
        as_keeper, where(train), stage=stage.pk, cartridge="new", spec=spec.pk, price="24,50"
    )
    assert response.status_code == 302
    new = here(train, stage)
    assert (new.number, new.spec, new.price) == (4, spec, Decimal("24.50"))
    assert new.bought_on is not None


@pytest.mark.parametrize(
    ("price", "word"),
    [
        ("-1", "below zero"),
        ("1e9", "too large"),
        ("nan", "as a number"),
        ("inf", "as a number"),
        ("abc", "as a number"),
        ("1.234", "decimal"),
    ],
)
def test_swap_keeps_what_was_typed(
    as_keeper: Client, train: Train, stage: Stage, price: str, word: str
) -> None:
    spec = here(train, stage).spec
    response = send(
        as_keeper, where(train), stage=stage.pk, cartridge="new", spec=spec.pk, price=price,
        remark="hard to turn",
    )  # fmt: skip
    assert word in errors(response)["price"][0]
    form = response.context["form"]
    assert (form["price"].value(), form["remark"].value()) == (price, "hard to turn")
    assert Cartridge.objects.count() == 3 and Fitting.objects.count() == 3


def test_swap_bought_now_needs_a_kind(as_keeper: Client, train: Train, stage: Stage) -> None:
    response = send(as_keeper, where(train), stage=stage.pk, cartridge="new", spec="")
    assert "Which kind" in errors(response)["spec"][0]


def test_swap_needs_a_stage(as_keeper: Client, train: Train, spare: Cartridge) -> None:
    assert "stage" in errors(send(as_keeper, where(train), cartridge=spare.pk))


def test_swap_of_an_empty_stage_is_a_fitting(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge, owner: User
) -> None:
    acts.empty(stage=stage, at=ago(days=2), by=owner)
    response = send(as_keeper, where(train), stage=stage.pk, cartridge=spare.pk)
    assert response.status_code == 302
    assert here(train, stage) == spare


def test_emptying_a_stage(as_keeper: Client, train: Train, stage: Stage) -> None:
    response = send(as_keeper, where(train), stage=stage.pk, cartridge="none")
    assert "Stage 2 emptied" in messages(as_keeper, response)
    assert here(train, stage) is None


def test_emptying_an_empty_stage_is_refused(
    as_keeper: Client, train: Train, stage: Stage, owner: User
) -> None:
    acts.empty(stage=stage, at=ago(days=2), by=owner)
    response = send(as_keeper, where(train), stage=stage.pk, cartridge="none")
    assert "holds no cartridge" in errors(response)["stage"][0]
    assert Fitting.objects.count() == 4


def test_a_cartridge_of_another_kind_is_asked_back(
    as_keeper: Client, train: Train, spare: Cartridge
) -> None:
    third = train.stages.get(position=3)
    response = send(as_keeper, where(train), stage=third.pk, cartridge=spare.pk)
    assert "stage 3 is catalytic carbon" in errors(response)["cartridge"][0]
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(where(train), again).status_code == 302
    assert here(train, third) == spare


def test_a_swap_before_the_last_one_is_asked_back(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge, owner: User
) -> None:
    [other] = acts.buy(household=train.household, spec=spare.spec)
    acts.swap(stage=stage, cartridge=other, at=ago(days=5), by=owner)
    response = send(as_keeper, where(train), stage=stage.pk, cartridge=spare.pk, at=ago(days=9))
    assert "stand as an earlier one" in errors(response)["at"][0]
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(where(train), again).status_code == 302
    assert here(train, stage) == other
    assert [s.cartridge for s in placements.stays(train) if s.stage == stage][1] == spare


def test_two_people_do_not_swap_twice(
    as_keeper: Client, as_owner: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    """Both opened the page while the old cartridge was in; the second is told of the first."""
    [other] = acts.buy(household=train.household, spec=spare.spec)
    seen = shown(as_keeper, where(train)) | {"stage": stage.pk, "cartridge": spare.pk}
    send(as_owner, where(train), stage=stage.pk, cartridge=other.pk)
    response = as_keeper.post(where(train), seen)
    told = errors(response)["cartridge"][0]
    assert "Odile logged" in told and f"no. {other.number}" in told
    assert "Nothing was saved now" in told
    assert here(train, stage) == other and Fitting.objects.count() == 4
    # the page has seen it now: sent once more, it is one more swap
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    assert as_keeper.post(where(train), again).status_code == 302
    assert here(train, stage) == spare


def test_two_people_with_the_same_spare_do_not_swap_twice(
    as_keeper: Client, as_owner: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    seen = shown(as_keeper, where(train)) | {"stage": stage.pk, "cartridge": spare.pk}
    send(as_owner, where(train), stage=stage.pk, cartridge=spare.pk, at=ago(minutes=2))
    response = as_keeper.post(where(train), seen)
    assert "Odile logged" in errors(response)["cartridge"][0]
    assert Fitting.objects.count() == 4


def test_two_people_buying_one_do_not_buy_two(
    as_keeper: Client, as_owner: Client, train: Train, stage: Stage
) -> None:
    """The same stage, minute and kind: it is the same swap, told by both."""
    at = ago(minutes=5)
    spec = here(train, stage).spec
    seen = shown(as_keeper, where(train))
    mine = {"stage": stage.pk, "cartridge": "new", "spec": spec.pk}
    send(as_owner, where(train), at=at, **mine)
    response = as_keeper.post(where(train), seen | mine | {"at": at.strftime("%Y-%m-%dT%H:%M")})
    assert "Already logged by Odile" in messages(as_keeper, response)
    assert Cartridge.objects.count() == 4 and Fitting.objects.count() == 4


def test_a_page_that_saw_nothing_is_not_trusted(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    response = as_keeper.post(where(train), {"stage": stage.pk, "cartridge": spare.pk})
    assert "Since this page was opened" in errors(response)["cartridge"][0]


def test_a_spare_that_is_gone_is_refused(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge, owner: User
) -> None:
    seen = shown(as_keeper, where(train)) | {"stage": stage.pk, "cartridge": spare.pk}
    acts.discard(spare)
    assert "not on the shelf" in errors(as_keeper.post(where(train), seen))["cartridge"][0]


def test_another_households_cartridge_is_refused(
    as_keeper: Client, train: Train, stage: Stage, stranger: User
) -> None:
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    [foreign] = acts.buy(household=stranger.households.get(), spec=spec)
    response = send(as_keeper, where(train), stage=stage.pk, cartridge=foreign.pk)
    assert "not on the shelf" in errors(response)["cartridge"][0]


def test_another_households_kind_is_refused(
    as_keeper: Client, train: Train, stage: Stage, stranger: User
) -> None:
    foreign = CartridgeSpec.objects.create(
        household=stranger.households.get(), name="Theirs", kind="carbon_block"
    )
    response = send(as_keeper, where(train), stage=stage.pk, cartridge="new", spec=foreign.pk)
    assert "spec" in errors(response)


def test_a_swap_is_undone_and_redone(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    old = here(train, stage)
    send(as_keeper, where(train), stage=stage.pk, cartridge=spare.pk)
    fitting = Fitting.objects.in_order().last()
    as_keeper.post(reverse("fact-undo", args=["swap", fitting.pk]))
    assert here(train, stage) == old and spare in placements.shelf(train.household)
    as_keeper.post(reverse("fact-redo", args=["swap", fitting.pk]))
    assert here(train, stage) == spare


def test_a_swap_is_corrected(
    as_keeper: Client, train: Train, stage: Stage, spare: Cartridge
) -> None:
    """It was the other spare, and two days earlier."""
    [other] = acts.buy(household=train.household, spec=spare.spec)
    send(as_keeper, where(train), stage=stage.pk, cartridge=spare.pk)
    fitting = Fitting.objects.in_order().last()
    page = reverse("fact-correct", args=["swap", fitting.pk])
    assert shown(as_keeper, page)["cartridge"] == str(spare.pk)
    send(as_keeper, page, cartridge=other.pk, at=ago(days=2), why="took the other box")
    assert here(train, stage) == other
    fresh = Fitting.objects.standing().in_order().last()
    assert (fresh.at, fresh.replaces, fresh.why) == (ago(days=2), fitting, "took the other box")


def test_a_swap_is_corrected_to_one_bought_now(
    as_keeper: Client, train: Train, stage: Stage
) -> None:
    fitting = Fitting.objects.get(stage=stage)
    page = reverse("fact-correct", args=["swap", fitting.pk])
    spec = CartridgeSpec.objects.create(household=train.household, name="Ours", kind="carbon_block")
    send(as_keeper, page, cartridge="new", spec=spec.pk)
    assert here(train, stage).spec == spec


def test_an_emptying_where_nothing_was_is_refused(
    as_keeper: Client, train: Train, stage: Stage
) -> None:
    """The first fitting of a stage cannot have been its emptying."""
    fitting = Fitting.objects.get(stage=stage)
    page = reverse("fact-correct", args=["swap", fitting.pk])
    assert (
        "nothing in that stage" in errors(send(as_keeper, page, cartridge="none"))["cartridge"][0]
    )


def test_the_kind_that_was_bought_is_not_called_optional(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(where(train)).content.decode()
    label = page.split('for="id_spec"')[1].split("</label>")[0]
    assert "What was bought" in label and "optional" not in label
