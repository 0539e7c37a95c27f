"""Fourth step: a cartridge in each stage, from the starter set or from its own package."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Train
from hobbyhydro.households.models import Household

from .setup_answers import FLOW, NOT_NUMBERS, OWN_PACKAGE, cartridges_of, says, send, walk


@pytest.fixture
def begun(as_keeper: Client) -> Train:
    """A train whose stages are there and empty."""
    return walk(as_keeper, until="cartridges")


def own(train: Train, position: int, **changes: str) -> dict[str, str]:
    """The step with one stage's package typed in."""
    stage = train.stages.get(position=position)
    prefix = f"c{stage.pk}"
    package = {f"{prefix}-own-{k}": v for k, v in {**OWN_PACKAGE, **changes}.items()}
    return cartridges_of(train) | {f"{prefix}-spec": "own"} | package


def row(answer: Any, position: int) -> Any:
    return answer.context["form"].rows[position - 1]


def test_works(as_keeper: Client, begun: Train, household: Household) -> None:
    answer = send(as_keeper, begun, "cartridges", cartridges_of(begun))
    assert answer.headers["Location"] == f"/setup/{begun.pk}/flow/"
    held = Fitting.objects.standing().order_by("stage__position")
    keys = [f.cartridge.spec.starter_key for f in held if f.cartridge]
    assert keys == ["sediment-5-slim", "catalytic-slim", "catalytic-slim"]
    assert [c.number for c in household.cartridges.order_by("number")] == [1, 2, 3]
    begun.refresh_from_db()
    assert begun.started_at == min(f.at for f in held)


def test_offers_what_fits_with_its_figures(as_keeper: Client, begun: Train) -> None:
    page = as_keeper.get(f"/setup/{begun.pk}/cartridges/")
    offered = [[c["spec"].starter_key for c in r.choices] for r in page.context["form"].rows]
    assert offered[0] == ["sediment-1-slim", "sediment-5-slim", "sediment-20-slim"]
    assert offered[1] == ["catalytic-slim"]
    text = page.content.decode()
    assert "6,000\u00a0gal of free chlorine" in text and "0.75\u00a0gal/min" in text
    assert "34\u00a0in³ of carbon" in text
    assert "typical figures" in text


def test_offers_every_size_to_a_housing_of_another_size(as_keeper: Client, begun: Train) -> None:
    begun.stages.filter(position=1).update(housing="other")
    page = as_keeper.get(f"/setup/{begun.pk}/cartridges/")
    assert len(row(page, 1).choices) == 6


def test_fitted_on_a_day(as_keeper: Client, begun: Train) -> None:
    day = timezone.localdate() - dt.timedelta(days=40)
    stage = begun.stages.get(position=2)
    typed = {f"c{stage.pk}-since": "day", f"c{stage.pk}-day": day.isoformat()}
    send(as_keeper, begun, "cartridges", cartridges_of(begun, **typed))
    fitting = Fitting.objects.get(stage=stage)
    assert timezone.localdate(fitting.at) == day
    begun.refresh_from_db()
    assert begun.started_at == fitting.at


def test_fitted_some_months_ago(as_keeper: Client, begun: Train) -> None:
    stage = begun.stages.get(position=2)
    typed = {f"c{stage.pk}-since": "about", f"c{stage.pk}-months": "6"}
    send(as_keeper, begun, "cartridges", cartridges_of(begun, **typed))
    fitting = Fitting.objects.get(stage=stage)
    assert (timezone.localdate() - timezone.localdate(fitting.at)).days == 183
    assert "from memory" in fitting.remark
    form = row(as_keeper.get(f"/setup/{begun.pk}/cartridges/"), 2)
    assert (form["since"].value(), str(form["months"].value())) == ("about", "6")


def test_another_day_moves_the_restrictor_with_it(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "cartridges", cartridges_of(begun))
    send(as_keeper, begun, "flow", FLOW)
    day = timezone.localdate() - dt.timedelta(days=10)
    stage = begun.stages.get(position=1)
    typed = {f"c{stage.pk}-since": "day", f"c{stage.pk}-day": day.isoformat()}
    send(as_keeper, begun, "cartridges", cartridges_of(begun, **typed))
    begun.refresh_from_db()
    assert timezone.localdate(begun.started_at) == day
    assert begun.restrictors.standing().get().at == begun.started_at


def test_another_cartridge_is_a_change_of_the_same(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "cartridges", cartridges_of(begun))
    stage = begun.stages.get(position=1)
    fine = CartridgeSpec.objects.get(starter_key="sediment-1-slim")
    typed = cartridges_of(begun, **{f"c{stage.pk}-spec": str(fine.pk)})
    send(as_keeper, begun, "cartridges", typed)
    assert Cartridge.objects.count() == Fitting.objects.count() == 3
    fitted = Fitting.objects.get(stage=stage).cartridge
    assert fitted is not None and fitted.spec == fine


def test_own_package_is_kept_in_the_households_kinds(
    as_keeper: Client, begun: Train, household: Household
) -> None:
    answer = send(as_keeper, begun, "cartridges", own(begun, 2))
    assert answer.status_code == 302
    spec = household.cartridge_specs.get()
    assert (spec.name, spec.kind, spec.housing) == ("Chunky block", "catalytic_carbon", "10x2.5")
    assert spec.free_volume_l == pytest.approx(37_854.11784)  # NIST SP 811: 3.785411784 L/gal
    assert spec.free_flow_l_day == pytest.approx(0.75 * 1440 * 3.785411784)
    assert (spec.free_reduction_new, spec.free_reduction_end) == (0.97, 0.5)
    assert spec.bed_volume_l == pytest.approx(34 * 0.016387064)
    assert spec.calendar_days == 365
    again = row(as_keeper.get(f"/setup/{begun.pk}/cartridges/"), 2)
    assert again["spec"].value() == str(spec.pk), "now one of those on offer"


def test_own_package_in_litres(as_keeper: Client, begun: Train, household: Household) -> None:
    typed = own(
        begun, 2,
        free_volume_l="20000", free_volume_l_in="metric",
        free_flow_l_day="3", free_flow_l_day_in="metric",
    )  # fmt: skip
    send(as_keeper, begun, "cartridges", typed)
    spec = household.cartridge_specs.get()
    assert spec.free_volume_l == 20_000
    assert spec.free_flow_l_day == pytest.approx(3 * 1440)


def test_bed_volume_from_the_measures(
    as_keeper: Client, begun: Train, household: Household
) -> None:
    """A hollow cylinder of 2.5 in, 1 in core, 9.75 in long: π/4 (2.5² − 1²) 9.75 = 40.20 in³."""
    typed = own(begun, 2, bed_volume_l="", outer_mm="2.5", inner_mm="1", length_mm="9.75")
    send(as_keeper, begun, "cartridges", typed)
    bed = household.cartridge_specs.get().bed_volume_l
    assert bed == pytest.approx(40.20 * 0.016387064, rel=1e-3)


@pytest.mark.parametrize("typed", NOT_NUMBERS)
@pytest.mark.parametrize(
    "field",
    ["free_volume_l", "free_flow_l_day", "free_inlet_mg_l", "bed_volume_l", "calendar_months"],
)
def test_keeps_what_was_typed(
    as_keeper: Client, begun: Train, household: Household, field: str, typed: str
) -> None:
    answer = send(as_keeper, begun, "cartridges", own(begun, 2, **{field: typed}))
    form = row(answer, 2).own
    assert says(answer, field, form)
    assert form[field].value() == typed
    assert form["name"].value() == "Chunky block"
    assert not household.cartridge_specs.exists()
    assert not Fitting.objects.exists() and not Cartridge.objects.exists()


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("free_reduction_new", {"free_reduction_new": "50", "free_reduction_end": "50"}),
        ("free_reduction_new", {"free_reduction_new": "40"}),
        ("free_reduction_new", {"free_reduction_new": "100"}),
        ("free_reduction_end", {"free_reduction_end": "0"}),
        ("free_flow_l_day", {"free_flow_l_day": ""}),
        ("free_flow_l_day", {"free_flow_l_day": "0"}),
        ("free_volume_l", {"free_volume_l": ""}),
        ("free_volume_l", {"free_volume_l": "", "free_flow_l_day": ""}),
        ("chloramine_volume_l", {"chloramine_flow_l_day": "0.5"}),
        ("inner_mm", {"bed_volume_l": "", "outer_mm": "2", "inner_mm": "2", "length_mm": "9"}),
        ("length_mm", {"bed_volume_l": "", "outer_mm": "2", "inner_mm": "1"}),
        ("name", {"name": ""}),
    ],
)
def test_refuses_a_label_that_cannot_be(
    as_keeper: Client, begun: Train, field: str, changes: dict[str, str]
) -> None:
    answer = send(as_keeper, begun, "cartridges", own(begun, 2, **changes))
    assert says(answer, field, row(answer, 2).own)
    assert not CartridgeSpec.objects.exclude(household=None).exists()
    assert not Fitting.objects.exists()


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("spec", {"spec": ""}),
        ("spec", {"spec": "999999"}),
        ("since", {"since": ""}),
        ("day", {"since": "day", "day": ""}),
        ("day", {"since": "day", "day": "2999-01-01"}),
        ("day", {"since": "day", "day": "0001-01-01"}),
        ("day", {"since": "day", "day": "yesterday"}),
        ("day", {"since": "day", "day": "2026-02-31"}),
        ("months", {"since": "about", "months": ""}),
        ("months", {"since": "about", "months": "-5"}),
    ],
)
def test_refuses_what_is_no_answer(
    as_keeper: Client, begun: Train, field: str, changes: dict[str, str]
) -> None:
    stage = begun.stages.get(position=1)
    typed = cartridges_of(begun, **{f"c{stage.pk}-{k}": v for k, v in changes.items()})
    answer = send(as_keeper, begun, "cartridges", typed)
    assert says(answer, field, row(answer, 1))
    assert not Fitting.objects.exists() and not Cartridge.objects.exists()


def test_one_wrong_stage_saves_none(as_keeper: Client, begun: Train) -> None:
    typed = own(begun, 2) | {f"c{begun.stages.get(position=3).pk}-since": ""}
    assert send(as_keeper, begun, "cartridges", typed).status_code == 200
    assert not CartridgeSpec.objects.exclude(household=None).exists()
    assert not Cartridge.objects.exists()


def test_hides_the_kinds_of_strangers(as_keeper: Client, begun: Train, stranger: object) -> None:
    elsewhere = Household.objects.get(name="Elsewhere")
    theirs = CartridgeSpec.objects.create(household=elsewhere, name="Secret", kind="sediment")
    stage = begun.stages.get(position=1)
    typed = cartridges_of(begun, **{f"c{stage.pk}-spec": str(theirs.pk)})
    answer = send(as_keeper, begun, "cartridges", typed)
    assert says(answer, "spec", row(answer, 1))
    assert "Secret" not in answer.content.decode()
