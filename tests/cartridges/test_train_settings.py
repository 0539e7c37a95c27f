"""Settings of a train that runs."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from cartridges.models import Estimate, Train
from cartridges.services import estimates
from hobbyhydro.households.models import User

from .setup_answers import NOT_NUMBERS, TRAIN, says, shows

SETTINGS = {**TRAIN, "resistance_limit_kpa": "10"}


def save(client: Client, train: Train, **changes: str) -> Any:
    return client.post(f"/trains/{train.pk}/settings/", {**SETTINGS, **changes})


def test_works(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(f"/trains/{train.pk}/settings/")
    assert page.status_code == 200
    assert page.context["form"]["name"].value() == train.name
    answer = save(as_keeper, train, policy="same_day")
    assert answer.headers["Location"] == f"/trains/{train.pk}/settings/"
    train.refresh_from_db()
    assert (train.name, train.policy) == ("Cellar line", "same_day")
    assert train.resistance_limit_kpa == pytest.approx(10 * 6.894757293168)  # NIST SP 811


def test_a_stricter_limit_shortens_the_days(as_keeper: Client, train: Train) -> None:
    estimates.refresh(train)
    stage = train.stages.get(position=3)
    before = Estimate.objects.get(stage=stage).safe_at
    save(as_keeper, train, limit_mg_l="0.02")
    train.refresh_from_db()
    if train.stale:  # the last calculation took too long to be done with the save
        estimates.refresh(train)
    after = Estimate.objects.get(stage=stage).safe_at
    assert before is not None and after is not None
    assert after < before


def test_marks_the_train_stale_where_it_is_slow(as_keeper: Client, train: Train) -> None:
    estimates.refresh(train)
    Train.objects.filter(pk=train.pk).update(estimate_ms=1e6)
    save(as_keeper, train)
    train.refresh_from_db()
    assert train.stale


@pytest.mark.parametrize("typed", [*NOT_NUMBERS, ""])
@pytest.mark.parametrize(
    "field", ["supply_pressure_kpa", "limit_mg_l", "resistance_limit_kpa", "on_flow_l_day"]
)
def test_keeps_what_was_typed(as_keeper: Client, train: Train, field: str, typed: str) -> None:
    start = {"duty": "valve", "on_flow_l_day": "0.75", "name": "Attic"}
    answer = save(as_keeper, train, **{**start, field: typed})
    assert says(answer, field)
    assert typed == "" or shows(answer, field, typed)
    assert shows(answer, "name", "Attic")
    train.refresh_from_db()
    assert train.name == "Basement drip", "nothing half-saved"


def test_needs_keeper(as_viewer: Client, train: Train) -> None:
    assert as_viewer.get(f"/trains/{train.pk}/settings/").status_code == 403
    assert save(as_viewer, train).status_code == 403


def test_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(f"/trains/{train.pk}/settings/").status_code == 404
    assert save(as_stranger, train).status_code == 404
    train.refresh_from_db()
    assert train.name == "Basement drip"


def test_asks_to_sign_in(client: Client, train: Train) -> None:
    answer = client.get(f"/trains/{train.pk}/settings/")
    assert answer.headers["Location"].startswith("/account/login/")


@pytest.mark.parametrize(("units", "shown"), [("us", "10"), ("metric", "70")])
def test_the_largest_drop_is_a_round_figure(
    as_keeper: Client, train: Train, keeper: User, units: str, shown: str
) -> None:
    keeper.units = units
    keeper.save()
    form = as_keeper.get(f"/trains/{train.pk}/settings/").context["form"]
    assert form["resistance_limit_kpa"].value() == shown


def test_a_limit_that_harms_fish_is_asked_back_once(as_keeper: Client, train: Train) -> None:
    asked = save(as_keeper, train, limit_mg_l="1")
    assert "Keep it anyway?" in says(asked, "limit_mg_l")
    train.refresh_from_db()
    assert train.limit_mg_l == 0.1
    assert save(as_keeper, train, limit_mg_l="1", sure="1").status_code == 302
    train.refresh_from_db()
    assert train.limit_mg_l == 1.0
