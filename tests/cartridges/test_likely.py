"""Spans, chances and cautions in plain words, on what the advice writes of them."""

from __future__ import annotations

import datetime as dt

import pytest

from cartridges.models import Cause
from cartridges.services import likely
from cartridges.services.advice import spread_in_days

TODAY = dt.date(2026, 3, 1)


def spread(low: int | None, high: int | None) -> str:
    def at(days: int | None) -> dt.datetime | None:
        return (
            None
            if days is None
            else dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC) + dt.timedelta(days)
        )

    return spread_in_days(at(low), at(high), today=TODAY)


@pytest.mark.parametrize(
    ("low", "high", "words", "short"),
    [
        (6, 19, "likely between 6 and 19 days", "likely 6–19 days"),
        (6, 1200, "likely between 6 and 1,200 days", "likely 6–1,200 days"),
        (0, 9, "likely within 9 days", "likely 0–9 days"),
        (-4, 9, "likely within 9 days", "likely 0–9 days"),
        (121, 121, "on that very day", ""),
        (1, 1, "on that very day", ""),
        (-4, -1, "likely today or earlier", ""),
        (800, None, "likely after 800 days, perhaps only after ten years", "likely over 800 days"),
        (0, None, "likely from today on, perhaps only after ten years", "likely from now on"),
        (None, None, "likely only after ten years", ""),
    ],
)
def test_a_spread_is_told_in_words(
    low: int | None, high: int | None, words: str, short: str
) -> None:
    assert likely.span(spread(low, high)) == words
    assert likely.short_span(spread(low, high)) == short


def test_one_day_is_told_with_the_age_that_makes_it_sure() -> None:
    one = spread(121, 121)
    assert likely.span(one, cause=Cause.CALENDAR) == "on that day, by its package’s age"
    assert likely.span(one, cause=Cause.OUTLET_LIMIT) == "on that very day"


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "not the first"),
        (0.004, "rarely first"),
        (0.049, "rarely first"),
        (0.3, "first in 30 of 100"),
        (0.97, "nearly always first"),
        (0.9999, "nearly always first"),
        (1.0, "always first"),
    ],
)
def test_shares_are_told_as_how_often(share: float, words: str) -> None:
    assert likely.how_often_first(Cause.DIRT, share) == words


def test_the_package_s_volume_is_for_comparison_alone() -> None:
    assert likely.how_often_first(Cause.LABEL_VOLUME, 0.0) == "for comparison"
