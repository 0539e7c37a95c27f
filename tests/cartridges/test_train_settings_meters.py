"""The meter: added, replaced, taken back."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Meter, MeterReading, Train

from .setup_answers import says, shows

L_PER_GAL = 3.785411784  # NIST SP 811


def fit(client: Client, train: Train, *, days_ago: float = 0.0, **changes: str) -> Any:
    at = timezone.localtime(timezone.now() - dt.timedelta(days=days_ago))
    typed = {
        "unit": "gal",
        "fitted_at": at.strftime("%Y-%m-%dT%H:%M"),
        "start": "0",
        "turn": "",
        "last_reading": "",
        **changes,
    }
    return client.post(f"/trains/{train.pk}/meters/new/", typed)


@pytest.fixture
def bare(train: Train) -> Train:
    """A train without a meter."""
    train.meters.all().delete()
    return train


def test_works(as_viewer: Client, train: Train) -> None:
    page = as_viewer.get(f"/trains/{train.pk}/meters/")
    assert page.status_code == 200
    [row] = page.context["rows"]
    assert row["shows"] == "2,250\u00a0gal", "three quarters of sixty days at 50 gal/day"


def test_adding_works(as_keeper: Client, bare: Train) -> None:
    assert "No meter" in as_keeper.get(f"/trains/{bare.pk}/meters/").content.decode()
    assert (
        "last_reading" not in as_keeper.get(f"/trains/{bare.pk}/meters/new/").context["form"].fields
    )
    answer = fit(as_keeper, bare, days_ago=2, start="120.5", turn="100000")
    assert answer.headers["Location"] == f"/trains/{bare.pk}/meters/"
    meter = bare.meters.get()
    assert meter.start_l == pytest.approx(120.5 * L_PER_GAL)
    assert meter.rolls_over_at_l == pytest.approx(100_000 * L_PER_GAL)
    assert as_keeper.get(f"/trains/{bare.pk}/meters/").status_code == 200


def test_replacing_works_and_keeps_the_last_reading(as_keeper: Client, train: Train) -> None:
    old = train.meters.get()
    fit(as_keeper, train, days_ago=5, unit="L", start="3", last_reading="2700")
    new = train.meters.exclude(pk=old.pk).get()
    assert new.start_l == 3.0
    last = MeterReading.objects.filter(meter=old).latest("at")
    assert last.reading_l == pytest.approx(2700 * L_PER_GAL)
    assert last.at < new.fitted_at
    train.refresh_from_db()
    assert train.stale, "the estimates follow"


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        *(("start", t) for t in ("", "-1", "1e9", "nan", "inf", "zero")),
        *(("turn", t) for t in ("-1", "0", "1e9", "nan", "many")),
        *(("last_reading", t) for t in ("-1", "nan", "about 2700", "2000")),
        *(("fitted_at", t) for t in ("2999-01-01T10:00", "1800-01-01T10:00", "soon")),
        *(("unit", t) for t in ("", "furlongs")),
    ],
)
def test_keeps_what_was_typed(as_keeper: Client, train: Train, field: str, typed: str) -> None:
    answer = fit(as_keeper, train, **{field: typed})
    assert says(answer, field)
    if field != "unit":
        assert typed == "" or shows(answer, field, typed)
    assert Meter.objects.count() == 1 and MeterReading.objects.count() == 3


def test_refuses_a_day_before_the_last_reading(as_keeper: Client, train: Train) -> None:
    answer = fit(as_keeper, train, days_ago=30)
    assert "was still read" in says(answer, "fitted_at")
    assert Meter.objects.count() == 1


def test_refuses_a_reading_beyond_the_dial(as_keeper: Client, bare: Train) -> None:
    answer = fit(as_keeper, bare, start="500", turn="100")
    assert "cannot read more than it can show" in says(answer, "turn")


def test_remove_takes_back_one_that_was_not_read(as_keeper: Client, bare: Train) -> None:
    fit(as_keeper, bare)
    meter = bare.meters.get()
    as_keeper.post(f"/meters/{meter.pk}/remove/")
    meter.refresh_from_db()
    assert meter.withdrawn_at is not None
    assert as_keeper.get(f"/trains/{bare.pk}/meters/").context["rows"] == []


def test_remove_spares_one_that_was_read(as_keeper: Client, train: Train) -> None:
    meter = train.meters.get()
    page = as_keeper.post(f"/meters/{meter.pk}/remove/", follow=True)
    assert "has been read" in page.content.decode()
    meter.refresh_from_db()
    assert meter.withdrawn_at is None


def test_remove_rejects_get(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(f"/meters/{train.meters.get().pk}/remove/").status_code == 405


def test_needs_keeper(as_viewer: Client, train: Train) -> None:
    assert as_viewer.get(f"/trains/{train.pk}/meters/new/").status_code == 403
    assert fit(as_viewer, train).status_code == 403
    assert as_viewer.post(f"/meters/{train.meters.get().pk}/remove/").status_code == 403


def test_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(f"/trains/{train.pk}/meters/").status_code == 404
    assert fit(as_stranger, train).status_code == 404
    assert as_stranger.post(f"/meters/{train.meters.get().pk}/remove/").status_code == 404
