"""The home page does not slow down as a household's history grows."""

from __future__ import annotations

import datetime as dt
import statistics
import time
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from django.contrib.auth.decorators import login_required
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.template import engines
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import path
from django.utils import timezone

from cartridges.models import MeterReading, SourceReading, Train
from cartridges.services import estimates
from hobbyhydro import urls as site
from hobbyhydro.households.models import Household, User
from tests.cartridges.estimate_rows import estimate_train
from tests.conftest import signed_in
from tests.trains import build_train

MOST_QUERIES = 12
MOST_TIMES_BARE = 5.0
MOST_TIMES_A_MONTH = 10.0
TEN_YEARS, MONTH = 3653, 30


@login_required
def bare(request: HttpRequest) -> HttpResponse:
    """A signed-in page of the site that shows one row from one query."""
    row = Train.objects.filter(household__memberships__person=request.user).first()
    return HttpResponse(bare_page().render({"train": row}, request))


@cache
def bare_page() -> Any:
    """Compiled once, as a template in a file is."""
    return engines["django"].from_string(
        '{% extends "base.html" %}{% block content %}<p>{{ train.name }}</p>{% endblock %}'
    )


urlpatterns = [path("bare/", bare), *site.urlpatterns]


def with_daily_readings(train: Train, by: User, *, days: int) -> None:
    """A meter reading and a tap test for each of the last ``days`` days."""
    now = timezone.now()
    train.meter_readings.all().delete()
    meter = train.meters.get()
    meter.fitted_at = now - dt.timedelta(days=days + 1)
    meter.save(update_fields=["fitted_at"])
    moments = [now - dt.timedelta(days=days - k, minutes=5) for k in range(days)]
    MeterReading.objects.bulk_create(
        MeterReading(
            train=train, meter=meter, at=at, reading_l=150.0 * (k + 1) + (k % 7), logged_by=by
        )
        for k, at in enumerate(moments)
    )
    SourceReading.objects.bulk_create(
        SourceReading(
            source=train.source,
            at=at,
            free_mg_l=0.1,
            total_mg_l=1.8 + 0.1 * (k % 5),
            logged_by=by,
        )
        for k, at in enumerate(moments)
    )


@pytest.fixture
def three_trains(household: Household, owner: User) -> list[Train]:
    trains = [build_train(household, owner, name=f"Rack {k}") for k in (1, 2, 3)]
    for train in trains:
        estimate_train(train)
    return trains


@pytest.fixture
def client_of_owner(owner: User) -> Iterator[Client]:
    yield signed_in(owner)


def queries(client: Client) -> int:
    """Queries of a visit that is not the first: the first asks what the database can do."""
    client.get("/")
    with CaptureQueriesContext(connection) as seen:
        assert client.get("/").status_code == 200
    return len(seen)


def test_home_asks_at_most_twelve_queries_whatever_the_number_of_readings(
    three_trains: list[Train], owner: User, client_of_owner: Client
) -> None:
    few = queries(client_of_owner)
    for train in three_trains:
        with_daily_readings(train, owner, days=TEN_YEARS)
    many = queries(client_of_owner)
    assert few == many
    assert many <= MOST_QUERIES


@pytest.mark.urls(__name__)
def test_home_takes_at_most_five_times_a_bare_page(
    three_trains: list[Train], owner: User, client_of_owner: Client
) -> None:
    for train in three_trains:
        with_daily_readings(train, owner, days=TEN_YEARS)
    taken: dict[str, list[float]] = {"/bare/": [], "/": []}
    for turn in range(43):
        for address, times in taken.items():
            started = time.perf_counter()
            response = client_of_owner.get(address)
            elapsed = time.perf_counter() - started
            assert response.status_code == 200
            if turn >= 3:  # the first ones fill caches
                times.append(elapsed)
    home, plain = (statistics.median(taken[address]) * 1000 for address in ("/", "/bare/"))
    print(f"\nhome {home:.1f} ms, bare page {plain:.1f} ms, ratio {home / plain:.2f}")
    assert home <= MOST_TIMES_BARE * plain


def test_one_reading_more_costs_ten_years_at_most_ten_times_a_month(
    household: Household, owner: User
) -> None:
    """Adding one reading and recalculating, ten years of daily readings against one month."""
    took: dict[int, float] = {}
    for days in (MONTH, TEN_YEARS):
        train = build_train(household, owner, days=days, readings=0, name=f"{days} days")
        with_daily_readings(train, owner, days=days)
        estimates.refresh(train)
        times = []
        for extra in range(5):
            meter = train.meters.get()
            MeterReading.objects.create(
                train=train,
                meter=meter,
                at=timezone.now(),
                reading_l=150.0 * (days + 1) + 10.0 * (extra + 1),
            )
            estimates.mark_stale(train)
            started = time.perf_counter()
            assert estimates.refresh(train)
            times.append(time.perf_counter() - started)
        took[days] = statistics.median(times)
    ratio = took[TEN_YEARS] / took[MONTH]
    print(
        f"\nrecalculated after one reading: {took[MONTH] * 1000:.0f} ms with a month, "
        f"{took[TEN_YEARS] * 1000:.0f} ms with ten years, ratio {ratio:.2f}"
    )
    assert ratio <= MOST_TIMES_A_MONTH
