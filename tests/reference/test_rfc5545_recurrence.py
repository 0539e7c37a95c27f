"""Recurrence rules against the worked examples of RFC 5545, section 3.8.5.3 (read there).

The standard's examples run at 9:00 in New York; a chore falls on days, so only their days are
compared. Where an example ends at a moment (UNTIL=19971224T000000Z), ours ends with the last day
before it. Examples by the hour or minute have no counterpart here.
"""

from __future__ import annotations

import datetime as dt
from itertools import islice

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from schedule.services import recurrence

FAR = dt.date(2010, 1, 1)


def dates(text: str) -> list[dt.date]:
    """ "1997: 9/2 9/9; 1998: 1/6" as dates."""
    found = []
    for year in text.split(";"):
        number, _, listed = year.partition(":")
        for day in listed.split():
            month, _, of_month = day.partition("/")
            found.append(dt.date(int(number), int(month), int(of_month)))
    return found


EXAMPLES = [
    ("daily for 10", "19970902", "FREQ=DAILY;COUNT=10",
     "1997: 9/2 9/3 9/4 9/5 9/6 9/7 9/8 9/9 9/10 9/11"),
    ("weekly for 10", "19970902", "FREQ=WEEKLY;COUNT=10",
     "1997: 9/2 9/9 9/16 9/23 9/30 10/7 10/14 10/21 10/28 11/4"),
    ("weekly until Christmas Eve", "19970902", "FREQ=WEEKLY;UNTIL=19971223",
     "1997: 9/2 9/9 9/16 9/23 9/30 10/7 10/14 10/21 10/28 11/4 11/11 11/18 11/25 12/2 12/9 12/16"
     " 12/23"),
    ("every other week", "19970902", "FREQ=WEEKLY;INTERVAL=2;WKST=SU",
     "1997: 9/2 9/16 9/30 10/14 10/28 11/11 11/25 12/9 12/23; 1998: 1/6 1/20 2/3 2/17"),
    ("Tuesday and Thursday", "19970902", "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH",
     "1997: 9/2 9/4 9/9 9/11 9/16 9/18 9/23 9/25 9/30 10/2"),
    ("every other week on three days", "19970901",
     "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971223;WKST=SU;BYDAY=MO,WE,FR",
     "1997: 9/1 9/3 9/5 9/15 9/17 9/19 9/29 10/1 10/3 10/13 10/15 10/17 10/27 10/29 10/31 11/10"
     " 11/12 11/14 11/24 11/26 11/28 12/8 12/10 12/12 12/22"),
    ("first Friday", "19970905", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
     "1997: 9/5 10/3 11/7 12/5; 1998: 1/2 2/6 3/6 4/3 5/1 6/5"),
    ("first and last Sunday", "19970907", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
     "1997: 9/7 9/28 11/2 11/30; 1998: 1/4 1/25 3/1 3/29 5/3 5/31"),
    ("second-to-last Monday", "19970922", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
     "1997: 9/22 10/20 11/17 12/22; 1998: 1/19 2/16"),
    ("third-to-the-last day", "19970928", "FREQ=MONTHLY;BYMONTHDAY=-3",
     "1997: 9/28 10/29 11/28 12/29; 1998: 1/29 2/26"),
    ("2nd and 15th", "19970902", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
     "1997: 9/2 9/15 10/2 10/15 11/2 11/15 12/2 12/15; 1998: 1/2 1/15"),
    ("first and last day", "19970930", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
     "1997: 9/30 10/1 10/31 11/1 11/30 12/1 12/31; 1998: 1/1 1/31 2/1"),
    ("every 18 months", "19970910",
     "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
     "1997: 9/10 9/11 9/12 9/13 9/14 9/15; 1999: 3/10 3/11 3/12 3/13"),
    ("June and July", "19970610", "FREQ=YEARLY;COUNT=10;BYMONTH=6,7",
     "1997: 6/10 7/10; 1998: 6/10 7/10; 1999: 6/10 7/10; 2000: 6/10 7/10; 2001: 6/10 7/10"),
    ("days of the year", "19970101", "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
     "1997: 1/1 4/10 7/19; 2000: 1/1 4/9 7/18; 2003: 1/1 4/10 7/19; 2006: 1/1"),
    ("20th Monday", "19970519", "FREQ=YEARLY;BYDAY=20MO", "1997: 5/19; 1998: 5/18; 1999: 5/17"),
    ("Monday of week 20", "19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
     "1997: 5/12; 1998: 5/11; 1999: 5/17"),
    ("Friday the 13th", "19970902", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
     "1998: 2/13 3/13 11/13; 1999: 8/13; 2000: 10/13"),
    ("Saturday after the first Sunday", "19970913",
     "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13",
     "1997: 9/13 10/11 11/8 12/13; 1998: 1/10 2/7 3/7 4/11 5/9 6/13"),
    ("every 4 years", "19961105",
     "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
     "1996: 11/5; 2000: 11/7; 2004: 11/2"),
    ("third of three weekdays", "19970904", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
     "1997: 9/4 10/7 11/6"),
    ("second-to-last weekday", "19970929", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
     "1997: 9/29 10/30 11/27 12/30; 1998: 1/29 2/26 3/30"),
    ("week from Monday", "19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
     "1997: 8/5 8/10 8/19 8/24"),
    ("week from Sunday", "19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
     "1997: 8/5 8/17 8/19 8/31"),
    ("30 February is left out", "20070115", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
     "2007: 1/15 1/30 2/15 3/15 3/30"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("start", "rule", "expected"), [e[1:] for e in EXAMPLES], ids=[e[0] for e in EXAMPLES]
)
def test_days_are_those_of_the_standards_example(start: str, rule: str, expected: str) -> None:
    first = dt.datetime.strptime(start, "%Y%m%d").date()
    wanted = dates(expected)
    kept = recurrence.check(rule, start=first)
    ends = "COUNT" in rule or "UNTIL" in rule
    last = FAR if ends else wanted[-1]
    assert recurrence.days(kept, start=first, first=first, last=last) == wanted
    coming = recurrence.next_days(
        kept, start=first, after=first - dt.timedelta(days=1), count=len(wanted)
    )
    assert coming == wanted


WEEK = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
RULES = st.one_of(
    st.builds(
        "FREQ=DAILY;INTERVAL={}".format,
        st.integers(1, 40),
    ),
    st.builds(
        "FREQ=WEEKLY;INTERVAL={};BYDAY={}".format,
        st.integers(1, 8),
        st.lists(st.sampled_from(WEEK), min_size=1, unique=True).map(",".join),
    ),
    st.builds(
        "FREQ=MONTHLY;INTERVAL={};BYMONTHDAY={}".format,
        st.integers(1, 14),
        st.one_of(st.integers(1, 28), st.integers(-28, -1)),
    ),
    st.builds("FREQ=MONTHLY;BYDAY={}SA".format, st.sampled_from([1, 2, 3, 4, -1, -2])),
)
STARTS = st.dates(dt.date(2024, 1, 1), dt.date(2032, 12, 31))


@given(rule=RULES, start=STARTS, skipped=st.integers(0, 300), span=st.integers(0, 400))
def test_any_window_holds_what_dateutil_gives_for_it(
    rule: str, start: dt.date, skipped: int, span: int
) -> None:
    first = start + dt.timedelta(days=skipped)
    last = first + dt.timedelta(days=span)
    reference = rrulestr(rule, dtstart=dt.datetime.combine(start, dt.time()))
    between = reference.between(
        dt.datetime.combine(first, dt.time()), dt.datetime.combine(last, dt.time()), inc=True
    )
    kept = recurrence.check(rule, start=start)
    assert recurrence.days(kept, start=start, first=first, last=last) == [m.date() for m in between]
    after = reference.xafter(dt.datetime.combine(first, dt.time()), inc=False)
    assert recurrence.next_days(kept, start=start, after=first, count=3) == [
        m.date() for m in islice(after, 3)
    ]


@given(start=STARTS)
def test_monthly_choices_leave_no_month_out(start: dt.date) -> None:
    rule = recurrence.plain_rule(recurrence.EVERY_MONTH, start=start)
    found = recurrence.next_days(rule, start=start, after=start, count=24)
    months = [(d.year * 12 + d.month) - (start.year * 12 + start.month) for d in found]
    assert months == list(range(1, 25))
    for day in found:
        last = (day.replace(day=28) + dt.timedelta(days=4)).replace(day=1) - dt.timedelta(days=1)
        assert day.day == min(start.day, last.day)


@given(start=STARTS)
def test_a_plain_choice_is_known_again_and_begins_at_its_start(start: dt.date) -> None:
    for choice, words in recurrence.CHOICES:
        rule = recurrence.plain_rule(choice, start=start)
        assert recurrence.check(rule, start=start) == rule
        assert recurrence.choice_of(rule, start=start) == choice
        assert recurrence.in_words(rule, start=start) == words
        assert recurrence.days(rule, start=start, first=start, last=start) == [start]


def test_a_yearly_chore_of_a_leap_day_comes_every_year() -> None:
    start = dt.date(2028, 2, 29)
    rule = recurrence.plain_rule(recurrence.EVERY_YEAR, start=start)
    found = recurrence.next_days(rule, start=start, after=start, count=4)
    assert found == [dt.date(2029, 2, 28), dt.date(2030, 2, 28), dt.date(2031, 2, 28),
                     dt.date(2032, 2, 29)]  # fmt: skip
