"""Kinds of cartridge: the starter set, copies of it, and the household's own."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from cartridges.models import CartridgeSpec, Estimate, Train
from cartridges.services import acts, estimates, placements, specs
from cartridges.services.specs import LabelError
from hobbyhydro.households.models import Household

from .setup_answers import NOT_NUMBERS, OWN_PACKAGE, says, shows

PACKAGE = {**OWN_PACKAGE, "kind": "carbon_block", "housing": "10x2.5"}


def later(train: Train) -> dt.datetime:
    """A day after the train began."""
    return train.started_at + dt.timedelta(days=1)


@pytest.fixture
def own(household: Household) -> CartridgeSpec:
    """A kind of the household's own."""
    return CartridgeSpec.objects.create(
        household=household,
        name="Chunky block",
        kind="carbon_block",
        free_volume_l=20_000.0,
        free_flow_l_day=4_000.0,
        bed_volume_l=0.6,
        calendar_days=365,
    )


@pytest.fixture
def starter(db: None) -> CartridgeSpec:
    return CartridgeSpec.objects.get(starter_key="block-slim")


def test_works(as_viewer: Client, own: CartridgeSpec, starter: CartridgeSpec) -> None:
    page = as_viewer.get("/cartridges/kinds/")
    assert page.context["own"] == [own]
    assert starter in page.context["starters"] and len(page.context["starters"]) == 12
    for spec in (own, starter):
        assert as_viewer.get(f"/cartridges/kinds/{spec.pk}/").status_code == 200


def test_one_kind_shows_its_figures(as_keeper: Client, starter: CartridgeSpec) -> None:
    text = as_keeper.get(f"/cartridges/kinds/{starter.pk}/").content.decode()
    assert "6,000\u00a0gal at 1.00\u00a0gal/min" in text
    assert "takes out 97&nbsp;% when new, 50&nbsp;% at the end" in text
    assert "no claim; its rate is assumed" in text


def test_new_works(as_keeper: Client, household: Household) -> None:
    answer = as_keeper.post("/cartridges/kinds/new/", PACKAGE)
    spec = household.cartridge_specs.get()
    assert answer.headers["Location"] == f"/cartridges/kinds/{spec.pk}/"
    assert spec.kind == "carbon_block"
    assert spec.chloramine_volume_l is None


def test_a_copy_of_a_starter_starts_with_its_figures(
    as_keeper: Client, starter: CartridgeSpec, household: Household
) -> None:
    address = f"/cartridges/kinds/new/?like={starter.pk}"
    form = as_keeper.get(address).context["form"]
    typed = {name: form[name].value() for name in form.fields}
    sent = {name: "" if value is None else str(value) for name, value in typed.items()}
    assert sent["bed_volume_l"] == "33.56", "shown rounded"
    assert as_keeper.post(address, sent).status_code == 302
    copy = household.cartridge_specs.get()
    assert copy.starter_key == "" and copy.name != starter.name
    for field in ("kind", "housing", "calendar_days", "chloramine_volume_l"):
        assert getattr(copy, field) == getattr(starter, field)
    for field in ("free_volume_l", "free_flow_l_day", "bed_volume_l", "free_reduction_new"):
        assert getattr(copy, field) == getattr(starter, field), "kept unrounded"


def test_edit_works_and_the_estimates_follow(
    as_keeper: Client, train: Train, own: CartridgeSpec, household: Household
) -> None:
    stage = train.stages.get(position=2)
    [cartridge] = acts.buy(household=household, spec=own)
    acts.swap(stage=stage, cartridge=cartridge, at=later(train), by=None)
    estimates.refresh(train)
    before = Estimate.objects.get(stage=stage)
    page = as_keeper.get(f"/cartridges/kinds/{own.pk}/edit/")
    assert f"estimates of {train.name} rest on this kind" in _plain(page)
    bigger = {**PACKAGE, "bed_volume_l": "80"}
    assert as_keeper.post(f"/cartridges/kinds/{own.pk}/edit/", bigger).status_code == 302
    train.refresh_from_db()
    if train.stale:  # the last calculation took too long to be done with the save
        estimates.refresh(train)
    after = Estimate.objects.get(stage=stage)
    assert before.contact_min is not None and after.contact_min is not None
    assert after.contact_min > 2 * before.contact_min


def _plain(page: Any) -> str:
    return " ".join(page.content.decode().split())


def test_edit_marks_the_trains_that_rest_on_it_and_no_others(
    train: Train, household: Household, own: CartridgeSpec
) -> None:
    estimates.refresh(train)
    Train.objects.filter(pk=train.pk).update(estimate_ms=1e6)  # too long to be done at once
    specs.change(own, {"kind": own.kind, "bed_volume_l": 0.7, **_claim(own)})
    train.refresh_from_db()
    assert not train.stale, "it holds no cartridge of this kind"
    [cartridge] = acts.buy(household=household, spec=own)
    acts.swap(stage=train.stages.get(position=2), cartridge=cartridge, at=later(train), by=None)
    Train.objects.filter(pk=train.pk).update(stale=False)
    specs.change(own, {"kind": own.kind, "bed_volume_l": 0.8, **_claim(own)})
    train.refresh_from_db()
    assert train.stale


def _claim(spec: CartridgeSpec) -> dict[str, float]:
    names = ("volume_l", "flow_l_day", "inlet_mg_l", "reduction_new", "reduction_end")
    return {f"free_{n}": getattr(spec, f"free_{n}") for n in names}


def test_the_starter_set_is_nobodys_to_change(as_owner: Client, starter: CartridgeSpec) -> None:
    for act in ("edit", "remove"):
        assert as_owner.post(f"/cartridges/kinds/{starter.pk}/{act}/", PACKAGE).status_code == 404
    with pytest.raises(ValueError, match="starter"):
        specs.change(starter, {"kind": "carbon_block"})


@pytest.mark.parametrize("typed", NOT_NUMBERS)
@pytest.mark.parametrize(
    "field",
    [
        "free_volume_l",
        "free_flow_l_day",
        "free_inlet_mg_l",
        "chloramine_volume_l",
        "bed_volume_l",
        "micron",
        "calendar_months",
        "dirt_capacity_g",
        "outer_mm",
    ],
)
def test_keeps_what_was_typed(
    as_keeper: Client, household: Household, field: str, typed: str
) -> None:
    answer = as_keeper.post("/cartridges/kinds/new/", {**PACKAGE, field: typed})
    assert says(answer, field)
    assert shows(answer, field, typed)
    assert shows(answer, "name", "Chunky block")
    assert not household.cartridge_specs.exists()


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("free_reduction_new", {"free_reduction_new": "50"}),
        ("free_reduction_new", {"free_reduction_new": "100"}),
        ("free_reduction_new", {"free_reduction_new": "101"}),
        ("free_reduction_new", {"free_reduction_new": "-5"}),
        ("free_reduction_end", {"free_reduction_end": "0"}),
        ("free_reduction_end", {"free_reduction_end": ""}),
        ("free_flow_l_day", {"free_flow_l_day": ""}),
        ("free_volume_l", {"free_volume_l": ""}),
        ("free_volume_l", {"free_volume_l": "", "free_flow_l_day": ""}),
        ("chloramine_flow_l_day", {"chloramine_volume_l": "1500"}),
        ("kind", {"kind": "magic"}),
        ("housing", {"housing": ""}),
    ],
)
def test_refuses_a_label_that_cannot_be(
    as_keeper: Client, household: Household, own: CartridgeSpec, field: str,
    changes: dict[str, str],
) -> None:  # fmt: skip
    for address in ("/cartridges/kinds/new/", f"/cartridges/kinds/{own.pk}/edit/"):
        answer = as_keeper.post(address, {**PACKAGE, **changes})
        assert says(answer, field)
    assert list(household.cartridge_specs.all()) == [own]
    own.refresh_from_db()
    assert own.free_volume_l == 20_000.0


def test_a_label_that_cannot_be_is_refused_below_the_form_too(household: Household) -> None:
    with pytest.raises(LabelError):
        specs.create(household, {"name": "x", "kind": "carbon_block", "housing": "10x2.5"})
    assert not household.cartridge_specs.exists()


def test_sediment_needs_no_claim(as_keeper: Client, household: Household) -> None:
    typed = {"name": "Spun 5", "kind": "sediment", "housing": "10x2.5", "dirt_capacity_g": "90"}
    assert as_keeper.post("/cartridges/kinds/new/", typed).status_code == 302
    assert household.cartridge_specs.get().dirt_capacity_g == 90


def test_metric_packages_for_us_readers(as_keeper: Client, household: Household) -> None:
    typed = {**PACKAGE, "free_volume_l": "20000", "free_volume_l_in": "metric"}
    as_keeper.post("/cartridges/kinds/new/", typed)
    assert household.cartridge_specs.get().free_volume_l == 20_000


@pytest.mark.parametrize(
    ("outer_mm", "inner_mm", "length_mm", "litres"),
    # V = π/4 (D² − d²) L, the volume of a hollow cylinder (any geometry table).
    [(100.0, 0.0, 1000.0, 7.853982), (100.0, 50.0, 1000.0, 5.890486)],
)
def test_bed_between_is_a_hollow_cylinder(
    outer_mm: float, inner_mm: float, length_mm: float, litres: float
) -> None:
    found = specs.bed_between_l(outer_mm=outer_mm, inner_mm=inner_mm, length_mm=length_mm)
    assert found == pytest.approx(litres, rel=1e-6)


@pytest.mark.parametrize(
    ("outer_mm", "inner_mm", "length_mm"),
    [(50, 50, 10), (50, 60, 10), (50, -1, 10), (50, 10, 0), (float("nan"), 0, 10), (0, 0, 10)],
)
def test_bed_between_refuses_what_is_no_cylinder(
    outer_mm: float, inner_mm: float, length_mm: float
) -> None:
    with pytest.raises(ValueError, match="hollow cylinder"):
        specs.bed_between_l(outer_mm=outer_mm, inner_mm=inner_mm, length_mm=length_mm)


def test_remove_takes_only_what_is_unused(
    as_keeper: Client, own: CartridgeSpec, household: Household
) -> None:
    [cartridge] = acts.buy(household=household, spec=own)
    as_keeper.post(f"/cartridges/kinds/{own.pk}/remove/")
    assert household.cartridge_specs.exists()
    cartridge.delete()
    as_keeper.post(f"/cartridges/kinds/{own.pk}/remove/")
    assert not household.cartridge_specs.exists()


def test_remove_rejects_get(as_keeper: Client, own: CartridgeSpec) -> None:
    assert as_keeper.get(f"/cartridges/kinds/{own.pk}/remove/").status_code == 405


def test_needs_keeper(as_viewer: Client, own: CartridgeSpec) -> None:
    assert as_viewer.get("/cartridges/kinds/new/").status_code == 403
    assert as_viewer.get(f"/cartridges/kinds/{own.pk}/edit/").status_code == 403
    for address in ("new/", f"{own.pk}/edit/", f"{own.pk}/remove/"):
        assert as_viewer.post(f"/cartridges/kinds/{address}", PACKAGE).status_code == 403


def test_hides_from_strangers(as_stranger: Client, own: CartridgeSpec) -> None:
    assert as_stranger.get("/cartridges/kinds/").context["own"] == []
    assert as_stranger.get(f"/cartridges/kinds/{own.pk}/").status_code == 404
    assert as_stranger.get(f"/cartridges/kinds/new/?like={own.pk}").status_code == 404
    for act in ("edit", "remove"):
        answer = as_stranger.post(f"/cartridges/kinds/{own.pk}/{act}/", PACKAGE)
        assert answer.status_code == 404


def test_a_starter_shows_only_our_own_trains(
    as_stranger: Client, train: Train, starter: CartridgeSpec
) -> None:
    page = as_stranger.get(f"/cartridges/kinds/{starter.pk}/")
    assert page.context["count"] == 0 and page.context["trains"] == []
    assert train.name not in page.content.decode()


def test_the_nearest_starter_is_of_the_kind_and_size(db: None) -> None:
    found = specs.nearest_starter(kind="carbon_block", housing="20x4.5")
    assert found is not None and found.starter_key == "block-wide"
    other = specs.nearest_starter(kind="carbon_block", housing="other")
    assert other is not None and other.kind == "carbon_block"
    assert specs.nearest_starter(kind="other", housing="other") is None


def test_contact_is_volume_over_flow() -> None:
    """12 gal/min and 5 min ask for 8.02 ft³ (two-bed dialysis practice, V = Q·t/7.48)."""
    flow_l_day = 12 * 1440 * 3.785411784
    found = specs.contact_min(bed_volume_l=8.02 * 28.316846592, flow_l_day=flow_l_day)
    assert found == pytest.approx(5.0, rel=1e-3)
    assert specs.contact_min(bed_volume_l=None, flow_l_day=100) is None
    assert specs.contact_min(bed_volume_l=1.0, flow_l_day=0) is None


def test_placements_are_untouched_by_a_change_of_kind(
    as_keeper: Client, train: Train, own: CartridgeSpec, household: Household
) -> None:
    [cartridge] = acts.buy(household=household, spec=own)
    stage = train.stages.get(position=2)
    acts.swap(stage=stage, cartridge=cartridge, at=later(train), by=None)
    before = placements.in_service(train)[stage.pk].start
    as_keeper.post(f"/cartridges/kinds/{own.pk}/edit/", PACKAGE)
    assert placements.in_service(train)[stage.pk].start == before
