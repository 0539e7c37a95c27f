"""Numbers and dates as templates write them."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine
from django.template import Context, Template
from django.utils import timezone

from hobbyhydro.households.templatetags import quantities

DENVER = dt.timezone(dt.timedelta(hours=-7))


@pytest.mark.parametrize(
    ("units", "words"), [("us", "50.0\u00a0gal/day"), ("metric", "189\u00a0L/day")]
)
def test_a_quantity_is_written_in_the_readers_units(units: str, words: str) -> None:
    page = Template('{% load quantities %}{% quantity flow "flow" %}, {% unit "pressure" %}')
    text = page.render(Context({"flow": 189.2705892, "units": units}))
    assert text == f"{words}, {'psi' if units == 'us' else 'kPa'}"


@pytest.mark.parametrize(
    ("days", "words"),
    [(0, "today"), (1, "tomorrow"), (-1, "yesterday"), (41, "in 41 days"), (-3, "3 days ago"),
     (1200, "in 1,200 days")],
)  # fmt: skip
@time_machine.travel(dt.datetime(2026, 6, 10, 12, tzinfo=dt.UTC), tick=False)
def test_days_first(days: int, words: str) -> None:
    assert quantities.in_days(timezone.now() + dt.timedelta(days=days)) == words


@time_machine.travel(dt.datetime(2026, 6, 10, 2, tzinfo=dt.UTC), tick=False)
def test_a_day_is_a_day_on_the_households_calendar() -> None:
    """At 02:00 UTC it is still the 9th at seven hours west; 08:00 UTC is the 10th there."""
    when = dt.datetime(2026, 6, 10, 8, tzinfo=dt.UTC)
    assert quantities.in_days(when) == "today"
    with timezone.override(DENVER):
        assert quantities.in_days(when) == "tomorrow"
        assert quantities.on_day(when) == "Wed 10 Jun"
        assert quantities.on_day(dt.datetime(2026, 6, 10, 2, tzinfo=dt.UTC)) == "Tue 9 Jun"


@time_machine.travel(dt.datetime(2026, 6, 10, tzinfo=dt.UTC), tick=False)
def test_another_year_is_named() -> None:
    assert quantities.on_day(dt.date(2027, 1, 5)) == "5 Jan 2027"
    assert quantities.on_day(dt.date(2026, 1, 5)) == "Mon 5 Jan"


def test_no_date_is_a_dash() -> None:
    assert quantities.in_days(None) == quantities.on_day(None) == "–"
