"""The shelf: spares, what works, what is spent; buying and throwing away."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Cartridge, CartridgeSpec, Train
from cartridges.services import acts, estimates, placements
from hobbyhydro.households.models import Household

from .estimate_rows import estimate_train
from .setup_answers import says, shows

BUY = {"count": "3", "price": "24.90", "bought_on": "2026-01-15"}


@pytest.fixture
def block(db: None) -> CartridgeSpec:
    """A carbon block of the starter set."""
    return CartridgeSpec.objects.get(starter_key="block-slim")


@pytest.fixture
def spare(household: Household, block: CartridgeSpec) -> Cartridge:
    """One cartridge that waits on the shelf."""
    [cartridge] = acts.buy(household=household, spec=block)
    return cartridge


def buy(client: Client, kind: CartridgeSpec, **changes: str) -> Any:
    return client.post("/cartridges/buy/", {"spec": str(kind.pk), **BUY, **changes})


def test_works(as_keeper: Client, train: Train, spare: Cartridge) -> None:
    estimates.refresh(train)
    page = as_keeper.get("/cartridges/")
    assert [(s, len(c)) for s, c in page.context["spares"]] == [(spare.spec, 1)]
    at_work = [row["stay"].stage.position for row in page.context["in_service"]]
    assert at_work == [1, 2, 3]
    text = page.content.decode()
    assert f"No. {spare.number}" in text
    for row in page.context["in_service"]:
        assert row["estimate"].cartridge == row["stay"].cartridge
    assert "(most likely spent in " in text
    assert "plan for " in text


def test_shows_where_a_swap_leaves_each(as_keeper: Client, train: Train, spare: Cartridge) -> None:
    stage = train.stages.get(position=2)
    old = placements.in_service(train)[stage.pk].cartridge
    acts.swap(stage=stage, cartridge=spare, at=timezone.now(), by=None)
    page = as_keeper.get("/cartridges/")
    assert page.context["spares"] == []
    assert spare in [row["stay"].cartridge for row in page.context["in_service"]]
    assert [stay.cartridge for stay in page.context["taken_out"]] == [old]


def test_works_for_a_viewer_without_buttons(
    as_viewer: Client, train: Train, spare: Cartridge
) -> None:
    page = as_viewer.get("/cartridges/")
    assert page.status_code == 200
    assert "Throw away" not in page.content.decode()
    assert "Add spares" not in page.content.decode()


def test_hides_from_strangers(as_stranger: Client, train: Train, spare: Cartridge) -> None:
    page = as_stranger.get("/cartridges/")
    assert page.context["spares"] == page.context["in_service"] == []
    for act in ("", "discard/", "restore/"):
        assert as_stranger.post(f"/cartridges/{spare.pk}/{act}").status_code == 404
    spare.refresh_from_db()
    assert spare.discarded_at is None


def test_queries_do_not_grow_with_the_shelf(
    as_keeper: Client, train: Train, household: Household, block: CartridgeSpec
) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            as_keeper.get("/cartridges/")
        return len(queries)

    acts.buy(household=household, spec=block)
    few = count()
    acts.buy(household=household, spec=block, count=40)
    assert count() == few


def test_buying_works(as_keeper: Client, household: Household, block: CartridgeSpec) -> None:
    answer = buy(as_keeper, block)
    assert answer.headers["Location"] == "/cartridges/"
    bought = list(household.cartridges.order_by("number"))
    assert [c.number for c in bought] == [1, 2, 3]
    assert {(c.spec, c.price, c.bought_on) for c in bought} == {
        (block, Decimal("24.90"), dt.date(2026, 1, 15))
    }
    assert placements.shelf(household) == bought


def test_buying_needs_no_price_and_no_day(as_keeper: Client, block: CartridgeSpec) -> None:
    buy(as_keeper, block, count="1", price="", bought_on="")
    cartridge = Cartridge.objects.get()
    assert cartridge.price is None and cartridge.bought_on is None


def test_buying_takes_a_decimal_comma(as_keeper: Client, block: CartridgeSpec) -> None:
    buy(as_keeper, block, count="1", price="24,90")
    assert Cartridge.objects.get().price == Decimal("24.90")


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        *(("count", t) for t in ("", "0", "-2", "1.5", "101", "1e9", "nan", "inf", "some")),
        *(("price", t) for t in ("-1", "1e9", "nan", "inf", "dear", "1.234", "100001")),
        *(("bought_on", t) for t in ("2999-01-01", "0001-01-01", "spring", "2026-02-31")),
        *(("spec", t) for t in ("", "999999", "block")),
    ],
)
def test_keeps_what_was_typed(
    as_keeper: Client, block: CartridgeSpec, field: str, typed: str
) -> None:
    answer = buy(as_keeper, block, **{field: typed})
    assert says(answer, field)
    if field != "spec":
        assert typed == "" or shows(answer, field, typed)
    assert not Cartridge.objects.exists()


def test_buying_needs_keeper(as_viewer: Client, block: CartridgeSpec) -> None:
    assert as_viewer.get("/cartridges/buy/").status_code == 403
    assert buy(as_viewer, block).status_code == 403
    assert not Cartridge.objects.exists()


def test_buying_refuses_the_kinds_of_strangers(as_keeper: Client, stranger: object) -> None:
    elsewhere = Household.objects.get(name="Elsewhere")
    theirs = CartridgeSpec.objects.create(household=elsewhere, name="Secret", kind="sediment")
    assert says(buy(as_keeper, theirs), "spec")
    assert "Secret" not in as_keeper.get("/cartridges/buy/").content.decode()


def test_discard_and_restore_work(as_keeper: Client, spare: Cartridge) -> None:
    as_keeper.post(f"/cartridges/{spare.pk}/discard/")
    spare.refresh_from_db()
    assert spare.discarded_at is not None
    page = as_keeper.get("/cartridges/")
    assert page.context["spares"] == []
    assert [row["cartridge"] for row in page.context["thrown"]] == [spare]
    as_keeper.post(f"/cartridges/{spare.pk}/restore/")
    assert placements.shelf(spare.household) == [spare]


def test_discard_spares_what_is_at_work(as_keeper: Client, train: Train) -> None:
    working = placements.in_service(train)[train.stages.get(position=1).pk].cartridge
    page = as_keeper.post(f"/cartridges/{working.pk}/discard/", follow=True)
    assert "is in service" in page.content.decode()
    working.refresh_from_db()
    assert working.discarded_at is None


@pytest.mark.parametrize("act", ["discard", "restore"])
def test_discard_rejects_get(as_keeper: Client, spare: Cartridge, act: str) -> None:
    assert as_keeper.get(f"/cartridges/{spare.pk}/{act}/").status_code == 405


@pytest.mark.parametrize("act", ["discard/", "restore/", ""])
def test_discard_needs_keeper(as_viewer: Client, spare: Cartridge, act: str) -> None:
    assert as_viewer.post(f"/cartridges/{spare.pk}/{act}").status_code == 403


def test_change_works(as_keeper: Client, spare: Cartridge) -> None:
    assert as_keeper.get(f"/cartridges/{spare.pk}/").status_code == 200
    as_keeper.post(f"/cartridges/{spare.pk}/", {"price": "19", "bought_on": "2026-02-01"})
    spare.refresh_from_db()
    assert (spare.price, spare.bought_on) == (Decimal("19"), dt.date(2026, 2, 1))


def test_change_keeps_what_was_typed(as_keeper: Client, spare: Cartridge) -> None:
    answer = as_keeper.post(f"/cartridges/{spare.pk}/", {"price": "-3", "bought_on": ""})
    assert says(answer, "price")
    assert shows(answer, "price", "-3")


@pytest.mark.parametrize("address", ["/cartridges/", "/cartridges/buy/"])
def test_asks_to_sign_in(client: Client, db: None, address: str) -> None:
    assert client.get(address).headers["Location"].startswith("/account/login/")


def test_marks_the_numbers_of_a_stale_train_and_fetches_new_ones(
    as_keeper: Client, train: Train
) -> None:
    estimate_train(train)
    assert "former numbers" not in as_keeper.get(reverse("shelf")).content.decode()
    Train.objects.filter(pk=train.pk).update(stale=True)
    text = as_keeper.get(reverse("shelf")).content.decode()
    assert text.count("former numbers</span>") == 3
    again = reverse("recalculate", args=[train.pk])
    assert text.count(f'hx-post="{again}"') == 1
    assert f'hx-get="{reverse("shelf")}" hx-trigger="recalculated from:body"' in text
    answer = as_keeper.post(again, {"back": reverse("shelf")})
    assert answer["Location"] == reverse("shelf")
    assert "former numbers" not in as_keeper.get(reverse("shelf")).content.decode()


def test_tells_the_planned_day_and_the_most_likely_one(as_keeper: Client, train: Train) -> None:
    estimate_train(train, days={2: (-1, 3, 9), 3: (None, None, None)})
    text = " ".join(as_keeper.get(reverse("shelf")).content.decode().split())
    assert "in 120 days (most likely spent in 123 days)" in text
    assert "due now (most likely spent in 3 days)" in text
    assert "good for more than 10 years" in text
