"""What a rule of one's own may say, and the words in which it is refused (RFC 5545, 3.3.10)."""

from __future__ import annotations

import datetime as dt
import time

import pytest

from schedule.services import recurrence
from schedule.services.recurrence import RuleError

START = dt.date(2026, 3, 4)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("freq=weekly; byday=mo,th", "FREQ=WEEKLY;BYDAY=MO,TH"),
        ("RRULE:FREQ=DAILY;INTERVAL=3;", "FREQ=DAILY;INTERVAL=3"),
        ("BYMONTHDAY=-1;FREQ=MONTHLY", "FREQ=MONTHLY;BYMONTHDAY=-1"),
        ("FREQ=YEARLY;BYMONTH=4,10;BYDAY=+1SA", "FREQ=YEARLY;BYMONTH=4,10;BYDAY=+1SA"),
        ("FREQ=WEEKLY;UNTIL=20271231;WKST=SU", "FREQ=WEEKLY;UNTIL=20271231;WKST=SU"),
    ],
)
def test_a_rule_is_kept_in_one_order_and_in_capitals(typed: str, kept: str) -> None:
    assert recurrence.check(typed, start=START) == kept


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "Write a rule"),
        ("every week", "not a part of a rule"),
        ("INTERVAL=2", "needs FREQ"),
        ("FREQ=", "not a part of a rule"),
        ("FREQ=FORTNIGHTLY", "one of DAILY, WEEKLY, MONTHLY, YEARLY"),
        ("FREQ=HOURLY", "falls on days"),
        ("FREQ=DAILY;BYHOUR=9", "falls on days"),
        ("FREQ=DAILY;X-COLOUR=RED", "not a part that a rule can have"),
        ("FREQ=DAILY;FREQ=WEEKLY", "there twice"),
        ("FREQ=DAILY;INTERVAL=0", "whole numbers from 1 to 1000"),
        ("FREQ=DAILY;INTERVAL=-2", "whole numbers from 1 to 1000"),
        ("FREQ=DAILY;INTERVAL=1.5", "whole numbers"),
        ("FREQ=DAILY;INTERVAL=٣", "whole numbers"),
        ("FREQ=DAILY;COUNT=99999", "whole numbers"),
        ("FREQ=DAILY;COUNT=3;UNTIL=20270101", "not by both"),
        ("FREQ=DAILY;UNTIL=20270230", "date without time"),
        ("FREQ=DAILY;UNTIL=20270101T000000Z", "date without time"),
        ("FREQ=WEEKLY;BYDAY=XX", "days of the week"),
        ("FREQ=WEEKLY;BYDAY=1MO", "go with FREQ=MONTHLY"),
        ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=1MO", "without BYWEEKNO"),
        ("FREQ=MONTHLY;BYDAY=54MO", "counts no such week"),
        ("FREQ=MONTHLY;BYDAY=0MO", "counts no such week"),
        ("FREQ=WEEKLY;BYMONTHDAY=3", "does not go with FREQ=WEEKLY"),
        ("FREQ=MONTHLY;BYYEARDAY=100", "with FREQ=YEARLY alone"),
        ("FREQ=MONTHLY;BYWEEKNO=20", "with FREQ=YEARLY alone"),
        ("FREQ=MONTHLY;BYMONTHDAY=32", "from 1 to 31"),
        ("FREQ=YEARLY;BYMONTH=13", "from 1 to 12"),
        ("FREQ=YEARLY;BYMONTH=-1", "from 1 to 12"),
        ("FREQ=MONTHLY;BYSETPOS=1", "picks among other BY parts"),
        ("FREQ=MONTHLY;BYDAY=MO;BYSETPOS=40", "at most 31 days"),
        ("FREQ=WEEKLY;WKST=XX", "day of the week"),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "No such month has such a day"),
        ("FREQ=DAILY;UNTIL=20260101", "no day within ten years"),
    ],
)
def test_a_rule_that_cannot_be_followed_is_refused_in_words(typed: str, says: str) -> None:
    with pytest.raises(RuleError, match=says):
        recurrence.check(typed, start=START)


def test_a_rule_of_days_that_no_month_has_is_refused_at_once() -> None:
    began = time.perf_counter()
    with pytest.raises(RuleError):
        recurrence.check("FREQ=DAILY;BYMONTH=4;BYMONTHDAY=31", start=START)
    assert time.perf_counter() - began < 0.5


def test_a_rule_that_is_not_a_plain_choice_is_told_as_it_is() -> None:
    rule = "FREQ=WEEKLY;BYDAY=MO,TH"
    assert recurrence.choice_of(rule, start=START) == recurrence.OWN
    assert recurrence.in_words(rule, start=START) == "by the rule FREQ=WEEKLY;BYDAY=MO,TH"


def test_a_rule_that_has_ended_gives_no_next_day() -> None:
    rule = recurrence.check("FREQ=WEEKLY;COUNT=2", start=START)
    assert recurrence.next_days(rule, start=START, after=dt.date(2026, 3, 11)) == []


def test_days_before_the_start_are_none() -> None:
    early = dt.date(2026, 1, 1)
    assert recurrence.days("FREQ=DAILY", start=START, first=early, last=early) == []
