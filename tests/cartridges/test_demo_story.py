"""The demo household lives by daylight, the same each time its story is told."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from cartridges.demo import story
from cartridges.demo.household import ZONE, tell
from cartridges.models import Fact, MeterReading, Train
from cartridges.services import logbook
from tests.trains import L_PER_GAL

NOON = dt.datetime(2026, 11, 20, 18, 0, tzinfo=dt.UTC)
NIGHT = dt.datetime(2026, 7, 4, 9, 0, tzinfo=dt.UTC)  # four in the morning in Chicago


def facts(train: Train) -> list[Fact]:
    return [line for line in logbook.entries(train) if isinstance(line, Fact)]


@pytest.mark.django_db
@pytest.mark.parametrize("now", [NOON, NIGHT])
def test_everything_happens_between_seven_and_nine_in_the_evening(now: dt.datetime) -> None:
    train = tell(now=now).trains.get()
    clocks = [fact.at.astimezone(ZoneInfo(ZONE)).time() for fact in facts(train)]
    assert min(clocks) >= dt.time(7) and max(clocks) < dt.time(21)
    by_third = [sum(7 + 14 * k / 3 <= c.hour + c.minute / 60 < 7 + 14 * (k + 1) / 3 for c in clocks)
                for k in range(3)]  # fmt: skip
    assert min(by_third) > len(clocks) / 6  # spread over the day, not all at one hour
    assert all(fact.logged_at <= now for fact in facts(train))


def test_told_twice_it_is_the_same_story() -> None:
    days = [425.0, 243.0, 204.0, 95.2, 62.0, 17.0, 2.0]
    minutes = [story.minute_of_day(day) for day in days]
    assert minutes == [story.minute_of_day(day) for day in days]
    assert len(set(minutes)) == len(days)


@pytest.mark.django_db
def test_the_meter_counts_what_dripped_between_the_hours_it_was_read() -> None:
    """Two readings differ by what drips from the clock of one to the clock of the other."""
    train = tell(now=NOON).trains.get()
    readings = list(MeterReading.objects.filter(train=train).order_by("at"))
    assert all(a.reading_l < b.reading_l for a, b in zip(readings, readings[1:], strict=False))
    one, other = readings[3], readings[4]
    days = (other.at - one.at) / dt.timedelta(days=1)
    rated_l_day = 40.0 * L_PER_GAL
    assert 0.6 < (other.reading_l - one.reading_l) / (days * rated_l_day) < 1.1


def test_nothing_drips_while_the_water_is_off() -> None:
    start, end, _ = story.SHUT_OFFS[0]
    assert story.dripped_l(start - 0.1, end + 0.1, settled=lambda days: days) == 0.0
