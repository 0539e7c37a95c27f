"""Lead–lag rotation as one act."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Train
from cartridges.services import acts, placements
from hobbyhydro.households.models import Household, User
from tests.trains import build_train

from .by_hand import address, ago, errors, messages, send, shown

TWO_BLOCKS = (
    ("sediment", "sediment-5-slim"),
    ("carbon_block", "block-slim"),
    ("carbon_block", "block-slim"),
)


@pytest.fixture
def pair(household: Household, owner: User) -> Train:
    """Sediment and two carbon blocks: cartridges no. 1, 2 and 3."""
    return build_train(household, owner, kinds=TWO_BLOCKS)


@pytest.fixture
def spare(pair: Train) -> Cartridge:
    """A carbon block on the shelf: no. 4."""
    return acts.buy(
        household=pair.household, spec=CartridgeSpec.objects.get(starter_key="block-slim")
    )[0]


def numbers(train: Train) -> list[int]:
    stays = placements.in_service(train).values()
    return [s.cartridge.number for s in sorted(stays, key=lambda s: s.stage.position)]


def where(train: Train) -> str:
    return address(train, "rotation")


def test_rotation_works(as_keeper: Client, pair: Train, spare: Cartridge) -> None:
    response = send(as_keeper, where(pair), cartridge=spare.pk)
    said = messages(as_keeper, response)
    assert "Stage 2: no. 3" in said and "Stage 3: no. 4" in said
    assert numbers(pair) == [1, 3, 4]
    first, second = Fitting.objects.in_order().order_by("-pk")[:2]
    assert first.act == second.act is not None


def test_rotation_shows_what_will_move_where(
    as_keeper: Client, pair: Train, spare: Cartridge
) -> None:
    form = as_keeper.get(where(pair)).context["form"]
    moves = [
        (m.stage.position, m.out.cartridge.number, m.forward, m.comes and m.comes.cartridge.number)
        for m in form.moves
    ]
    assert moves == [(2, 2, 0, 3), (3, 3, 2, None)]
    page = as_keeper.get(where(pair)).content.decode()
    assert "from stage 3" in page and "to stage 2" in page and "is done" in page


def test_rotation_with_one_bought_now(as_keeper: Client, pair: Train) -> None:
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    send(as_keeper, where(pair), cartridge="new", spec=spec.pk, price="18")
    assert numbers(pair) == [1, 3, 4]


def test_rotation_is_undone_and_redone_whole(
    as_keeper: Client, pair: Train, spare: Cartridge
) -> None:
    send(as_keeper, where(pair), cartridge=spare.pk)
    fitting = Fitting.objects.order_by("-pk").first()
    as_keeper.post(reverse("fact-undo", args=["swap", fitting.pk]))
    assert numbers(pair) == [1, 2, 3]
    as_keeper.post(reverse("fact-redo", args=["swap", fitting.pk]))
    assert numbers(pair) == [1, 3, 4]


def test_two_people_do_not_rotate_twice(
    as_keeper: Client, as_owner: Client, pair: Train, spare: Cartridge
) -> None:
    [other] = acts.buy(household=pair.household, spec=spare.spec)
    seen = shown(as_keeper, where(pair)) | {"cartridge": other.pk}
    send(as_owner, where(pair), cartridge=spare.pk)
    told = errors(as_keeper.post(where(pair), seen))["cartridge"][0]
    assert "Odile logged" in told and "no. 3" in told and "no. 4" in told
    assert numbers(pair) == [1, 3, 4]


def test_rotation_before_one_was_fitted_is_refused(
    as_keeper: Client, pair: Train, spare: Cartridge, owner: User
) -> None:
    [other] = acts.buy(household=pair.household, spec=spare.spec)
    acts.swap(stage=pair.stages.get(position=3), cartridge=other, at=ago(days=3), by=owner)
    response = send(as_keeper, where(pair), cartridge=spare.pk, at=ago(days=5))
    assert "was fitted later" in errors(response)["at"][0]


def test_rotation_needs_two_carbons(
    as_keeper: Client, pair: Train, spare: Cartridge, owner: User
) -> None:
    acts.empty(stage=pair.stages.get(position=3), at=ago(days=3), by=owner)
    page = as_keeper.get(where(pair)).content.decode()
    assert "needs two carbon stages" in page and address(pair, "swap") in page
    response = as_keeper.post(where(pair), {"cartridge": spare.pk})
    assert "needs two carbon stages" in errors(response)["cartridge"][0]
    assert numbers(pair) == [1, 2]


def test_rotation_of_unlike_carbons_is_marked(as_keeper: Client, train: Train) -> None:
    """The catalytic cartridge of stage 3 would move into the stage of a carbon block."""
    assert "Of another size or kind" in as_keeper.get(where(train)).content.decode()


def test_rotation_cannot_leave_the_last_empty(as_keeper: Client, pair: Train) -> None:
    response = send(as_keeper, where(pair), cartridge="none")
    assert "cartridge" in errors(response)
    assert numbers(pair) == [1, 2, 3]


def test_rotation_saves_nothing_when_one_move_fails(
    as_keeper: Client, pair: Train, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second fitting fails: the first, and the cartridge bought for it, are gone too."""
    real, calls = acts.swap, []

    def fail_at_the_second(**given: object) -> object:
        calls.append(given)
        if len(calls) == 2:
            raise acts.ActError("cartridge", "The second move went wrong.")
        return real(**given)  # type: ignore[arg-type]  # passed on as it came

    monkeypatch.setattr(acts, "swap", fail_at_the_second)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    response = send(as_keeper, where(pair), cartridge="new", spec=spec.pk)
    assert "second move" in errors(response)["cartridge"][0]
    assert len(calls) == 2 and numbers(pair) == [1, 2, 3]
    assert Cartridge.objects.count() == 3


def test_the_logbook_shows_a_rotation_as_one_entry(
    as_keeper: Client, pair: Train, spare: Cartridge
) -> None:
    book = reverse("logbook", args=[pair.pk])
    before = as_keeper.get(book).context["page"].paginator.count
    send(as_keeper, where(pair), cartridge=spare.pk)
    page = as_keeper.get(book)
    assert page.context["page"].paginator.count == before + 1
    row = page.context["rows"][0]
    assert row["name"] == "Rotation"
    assert [part["words"].split(":")[0] for part in row["parts"]] == ["Stage 2", "Stage 3"]
    text = page.content.decode()
    for part in row["parts"]:
        assert f'href="/facts/swap/{part["fact"].pk}/"' in text
    csv = as_keeper.get(reverse("logbook-csv", args=[pair.pk])).content.decode()
    assert csv.count("Rotation") == 2  # a file holds every fact


def test_an_undone_rotation_is_one_entry_on_request(
    as_keeper: Client, pair: Train, spare: Cartridge
) -> None:
    book = reverse("logbook", args=[pair.pk])
    send(as_keeper, where(pair), cartridge=spare.pk)
    one = Fitting.objects.filter(act__isnull=False).first()
    as_keeper.post(reverse("fact-undo", args=["swap", one.pk]))
    page = as_keeper.get(book)
    assert "Show what was undone or corrected (1)" in page.content.decode()
    assert not any(row.get("parts") for row in page.context["rows"])
    every = as_keeper.get(book, {"withdrawn": "on"})
    [row] = [row for row in every.context["rows"] if row.get("parts")]
    assert len(row["parts"]) == 2
    assert "Hide what was undone or corrected (1)" in every.content.decode()


def test_a_part_corrected_to_another_time_stands_by_itself(
    as_keeper: Client, pair: Train, spare: Cartridge
) -> None:
    send(as_keeper, where(pair), cartridge=spare.pk, at=ago(days=2))
    last = Fitting.objects.filter(act__isnull=False).order_by("pk").last()
    page = reverse("fact-correct", args=["swap", last.pk])
    assert send(as_keeper, page, at=ago(days=1)).status_code == 302
    rows = as_keeper.get(reverse("logbook", args=[pair.pk])).context["rows"]
    fittings = [row for row in rows if row["fact"] and row["fact"].KIND == "swap"]
    assert [row["name"] for row in fittings[:2]] == ["Rotation", "Rotation"]
    assert not any(row["parts"] for row in fittings)
