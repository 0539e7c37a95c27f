"""Second step: pressure, safe limit, policy and duty."""

from __future__ import annotations

import pytest
from django.test import Client

from hobbyhydro.households.models import User

from .setup_answers import NOT_NUMBERS, TRAIN, says, send, shows, walk


def test_works(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    answer = send(as_keeper, train, "train", {**TRAIN, "policy": "same_day"})
    assert answer.headers["Location"] == f"/setup/{train.pk}/stages/"
    train.refresh_from_db()
    assert (train.name, train.policy, train.limit_mg_l) == ("Cellar line", "same_day", 0.1)
    assert train.supply_pressure_kpa == pytest.approx(60 * 6.894757, abs=1e-3)  # NIST SP 811
    assert train.on_flow_l_day is None


def test_offers_typical_figures(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    page = as_keeper.get(f"/setup/{train.pk}/train/")
    form = page.context["form"]
    assert float(form["supply_pressure_kpa"].value()) == pytest.approx(60, abs=1e-3)
    assert form["limit_mg_l"].value() == "0.1"
    assert form["policy"].value() == "lead_lag"
    text = page.content.decode()
    assert "may allow 1.0" in text
    assert "stands guard" in text and "All the carbon is replaced together" in text


def test_a_float_valve_has_a_flow(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    typed = {**TRAIN, "duty": "valve", "on_flow_l_day": "0.75"}
    send(as_keeper, train, "train", typed)
    train.refresh_from_db()
    assert train.on_flow_l_day == pytest.approx(0.75 * 1440 * 3.785411784)
    form = as_keeper.get(f"/setup/{train.pk}/train/").context["form"]
    assert form["duty"].value() == "valve"
    send(as_keeper, train, "train", {**typed, "duty": "drip"})
    train.refresh_from_db()
    assert train.on_flow_l_day is None, "a drip has no open flow, whatever stands in its box"


@pytest.mark.parametrize("typed", [*NOT_NUMBERS, ""])
@pytest.mark.parametrize("field", ["supply_pressure_kpa", "limit_mg_l", "on_flow_l_day"])
def test_keeps_what_was_typed(as_keeper: Client, field: str, typed: str) -> None:
    train = walk(as_keeper, until="train")
    start = {**TRAIN, "name": "Attic", "duty": "valve", "on_flow_l_day": "0.75"}
    answer = send(as_keeper, train, "train", {**start, field: typed})
    assert says(answer, field)
    assert typed == "" or shows(answer, field, typed)
    assert shows(answer, "name", "Attic")
    train.refresh_from_db()
    assert train.name == "Drip line", "nothing half-saved"


def test_refuses_a_limit_above_what_taps_may_carry(as_keeper: Client) -> None:
    """4.0 mg/L is the US limit for the tap itself (MRDL)."""
    train = walk(as_keeper, until="train")
    assert says(send(as_keeper, train, "train", {**TRAIN, "limit_mg_l": "4.1"}), "limit_mg_l")


@pytest.mark.parametrize("field", ["policy", "duty"])
@pytest.mark.parametrize("typed", ["", "whenever"])
def test_refuses_a_choice_that_was_not_offered(as_keeper: Client, field: str, typed: str) -> None:
    train = walk(as_keeper, until="train")
    assert says(send(as_keeper, train, "train", {**TRAIN, field: typed}), field)


@pytest.mark.parametrize("typed", ["", "   ", "x" * 81])
def test_needs_a_name(as_keeper: Client, typed: str) -> None:
    train = walk(as_keeper, until="train")
    assert says(send(as_keeper, train, "train", {**TRAIN, "name": typed}), "name")


def test_metric_readers_type_in_their_units(as_keeper: Client, keeper: User) -> None:
    train = walk(as_keeper, until="train")
    keeper.units = "metric"
    keeper.save()
    send(as_keeper, train, "train", {**TRAIN, "supply_pressure_kpa": "300"})
    train.refresh_from_db()
    assert train.supply_pressure_kpa == 300.0


def test_a_limit_that_harms_fish_is_asked_back_once(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    typed = {**TRAIN, "limit_mg_l": "0.6"}
    asked = send(as_keeper, train, "train", typed)
    words = says(asked, "limit_mg_l")
    assert "Fish gills are harmed far below this." in words
    assert "0.011 mg/L (US EPA 1984)" in words
    sure = asked.context["form"]["sure"].value()
    assert f'name="sure" value="{sure}"' in asked.content.decode()
    other = send(as_keeper, train, "train", {**typed, "limit_mg_l": "0.8"}, sure=sure)
    says(other, "limit_mg_l")  # another figure is asked anew
    assert send(as_keeper, train, "train", typed, sure=sure).status_code == 302
    train.refresh_from_db()
    assert train.limit_mg_l == 0.6
    assert send(as_keeper, train, "train", typed).status_code == 302  # it is known by now


@pytest.mark.parametrize("typed", ["0.5", "0.011"])
def test_a_limit_that_kits_can_show_is_not_asked_back(as_keeper: Client, typed: str) -> None:
    train = walk(as_keeper, until="train")
    assert send(as_keeper, train, "train", {**TRAIN, "limit_mg_l": typed}).status_code == 302


def test_no_limit_above_what_the_law_allows(as_keeper: Client) -> None:
    train = walk(as_keeper, until="train")
    answer = send(as_keeper, train, "train", {**TRAIN, "limit_mg_l": "4.1"}, sure="4.1")
    assert "at most 4.00\u00a0mg/L" in says(answer, "limit_mg_l")


@pytest.mark.parametrize(
    ("units", "shown", "kept"), [("us", "60", 413.6854), ("metric", "410", 410.0)]
)
def test_the_typical_pressure_is_a_round_figure(
    as_keeper: Client, keeper: User, units: str, shown: str, kept: float
) -> None:
    """60 psi is 413.6854 kPa: NIST SP 811."""
    train = walk(as_keeper, until="train")
    keeper.units = units
    keeper.save()
    form = as_keeper.get(f"/setup/{train.pk}/train/").context["form"]
    assert form["supply_pressure_kpa"].value() == shown
    send(as_keeper, train, "train", {**TRAIN, "supply_pressure_kpa": shown})
    train.refresh_from_db()
    assert train.supply_pressure_kpa == pytest.approx(kept, abs=1e-3)
