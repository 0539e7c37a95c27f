"""Asking for a new plan."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import Train
from schedule.models import PlanSummary

from .planned import FakeModel, estimated, fake


@pytest.fixture
def model(train: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    model = fake(train, monkeypatch)
    model.asked["lead_lag"] = [(20.0, 2)]
    estimated(train)
    return model


def test_works(as_keeper: Client, train: Train, model: FakeModel) -> None:
    answer = as_keeper.post(f"/trains/{train.pk}/plan/renew/")
    assert answer.headers["Location"] == f"/trains/{train.pk}/plan/"
    assert train.planned_visits.count() == 1


def test_works_for_a_viewer(as_viewer: Client, train: Train, model: FakeModel) -> None:
    """It changes no fact."""
    assert as_viewer.post(f"/trains/{train.pk}/plan/renew/").status_code == 302
    assert PlanSummary.objects.filter(train=train).exists()


def test_reloads_the_page_where_scripts_run(
    as_keeper: Client, train: Train, model: FakeModel
) -> None:
    answer = as_keeper.post(f"/trains/{train.pk}/plan/renew/", headers={"HX-Request": "true"})
    assert answer.headers["HX-Refresh"] == "true"


@pytest.mark.parametrize(
    ("back", "there"),
    [
        ("/spares/", "/spares/"),
        ("https://elsewhere.example/", None),
        ("//elsewhere.example/", None),
        ("javascript:alert(1)", None),
    ],
)
def test_goes_back_only_to_pages_of_ours(
    as_keeper: Client, train: Train, model: FakeModel, back: str, there: str | None
) -> None:
    answer = as_keeper.post(f"/trains/{train.pk}/plan/renew/", {"back": back})
    assert answer.headers["Location"] == (there or f"/trains/{train.pk}/plan/")


def test_hides_from_strangers(as_stranger: Client, train: Train, model: FakeModel) -> None:
    assert as_stranger.post(f"/trains/{train.pk}/plan/renew/").status_code == 404
    assert not PlanSummary.objects.exists()


def test_rejects_get(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(f"/trains/{train.pk}/plan/renew/").status_code == 405
