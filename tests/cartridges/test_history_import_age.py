"""What an import says of how many rows it holds, and of how old they are."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Source, Train

from .histories import REAL, settle_columns, upload


@pytest.fixture
def tap(train: Train) -> Source:
    return Source.objects.get(pk=train.source_id)


def test_the_names_of_the_columns_are_no_row(tap: Source, as_keeper: Client) -> None:
    """The real series has 547 readings under one line of names."""
    upload(as_keeper, tap, REAL.read_bytes())
    history = tap.imports.get()
    page = as_keeper.get(f"/imports/{history.pk}/columns/").content.decode()
    assert "547 rows." in page
    settle_columns(as_keeper, history)
    assert as_keeper.get(f"/imports/{history.pk}/check/").context["draft"].rows == 547


def test_an_old_history_is_said_to_be_old(tap: Source, as_keeper: Client) -> None:
    def told() -> str:
        upload(as_keeper, tap, b"date,total\n2016-07-01,1.9\n2016-07-19,2.1\n")
        history = tap.imports.order_by("pk").last()
        settle_columns(as_keeper, history)
        page = as_keeper.get(f"/imports/{history.pk}/check/").content.decode()
        return " ".join(page.split())

    assert "These tests end in July 2016</strong>" in told()
    assert "The model goes by your newer test of" in told()  # the one of 60 days ago
    tap.readings.all().delete()
    assert "The model takes the last one, and trusts it less the older it is." in told()


@pytest.mark.parametrize(("days", "is_old"), [(360, False), (370, True)])
def test_old_is_more_than_a_year(tap: Source, as_keeper: Client, days: int, is_old: bool) -> None:
    last = timezone.localdate() - dt.timedelta(days=days)
    upload(as_keeper, tap, f"date,total\n2016-07-01,1.9\n{last:%Y-%m-%d},2.1\n".encode())
    history = tap.imports.get()
    settle_columns(as_keeper, history)
    ends = as_keeper.get(f"/imports/{history.pk}/check/").context["ends"]
    assert (ends is not None) is is_old
