"""Days on which something recurs: RFC 5545 recurrence rules, on the calendar of a household.

A rule is the text of an RRULE (RFC 5545, section 3.3.10) without its name. A chore falls on days,
so a rule here counts in days, weeks, months or years and has no times of day. The days themselves
are worked out by ``dateutil.rrule``.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from itertools import islice

from dateutil.rrule import rrule, rrulebase, rrulestr

HORIZON = dt.timedelta(days=3653)
"""A rule that gives no day within ten years of its start is refused: most likely a slip."""

MOST_INTERVAL = 1000
MOST_COUNT = 1000

EVERY_DAY, EVERY_WEEK, EVERY_2_WEEKS = "daily", "weekly", "2-weeks"
EVERY_MONTH, EVERY_3_MONTHS, EVERY_6_MONTHS, EVERY_YEAR = (
    "monthly",
    "3-months",
    "6-months",
    "yearly",
)
OWN = "own"
CHOICES: tuple[tuple[str, str], ...] = (
    (EVERY_DAY, "every day"),
    (EVERY_WEEK, "every week"),
    (EVERY_2_WEEKS, "every 2 weeks"),
    (EVERY_MONTH, "every month"),
    (EVERY_3_MONTHS, "every 3 months"),
    (EVERY_6_MONTHS, "every 6 months"),
    (EVERY_YEAR, "every year"),
)
_PLAIN = {
    EVERY_DAY: "FREQ=DAILY",
    EVERY_WEEK: "FREQ=WEEKLY",
    EVERY_2_WEEKS: "FREQ=WEEKLY;INTERVAL=2",
}
_MONTHS = {EVERY_MONTH: 1, EVERY_3_MONTHS: 3, EVERY_6_MONTHS: 6}
_FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
_TOO_FINE = ("SECONDLY", "MINUTELY", "HOURLY", "BYSECOND", "BYMINUTE", "BYHOUR")
_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
_BY_DAY = re.compile(r"(?P<nth>[+-]?\d{1,2})?(?P<day>MO|TU|WE|TH|FR|SA|SU)")
_RANGES = {
    "BYMONTHDAY": (1, 31, True),
    "BYYEARDAY": (1, 366, True),
    "BYWEEKNO": (1, 53, True),
    "BYMONTH": (1, 12, False),
    "BYSETPOS": (1, 366, True),
}
_LONGEST = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_ORDER = ("FREQ", "INTERVAL", "COUNT", "UNTIL", "BYMONTH", "BYWEEKNO", "BYYEARDAY", "BYMONTHDAY",
          "BYDAY", "BYSETPOS", "WKST")  # fmt: skip


class RuleError(ValueError):
    """A rule that cannot be followed, with words that say what is wrong with it."""


def plain_rule(choice: str, *, start: dt.date) -> str:
    """The rule of a plain choice.

    A month without the day of ``start`` has its last day instead: RFC 5545 (section 3.3.10) leaves
    days that do not exist out, and a chore of the 31st would then miss five months of the year.
    """
    if choice in _PLAIN:
        return _PLAIN[choice]
    if choice in _MONTHS:
        every = _MONTHS[choice]
        return "FREQ=MONTHLY" + (f";INTERVAL={every}" if every > 1 else "") + _last_days(start.day)
    if choice == EVERY_YEAR:
        leap_day = (start.month, start.day) == (2, 29)
        return "FREQ=YEARLY" + (";BYMONTH=2;BYMONTHDAY=28,29;BYSETPOS=-1" if leap_day else "")
    raise ValueError(f"no such choice: {choice}")


def _last_days(day: int) -> str:
    if day <= 28:
        return ""
    listed = ",".join(str(d) for d in range(28, day + 1))
    return f";BYMONTHDAY={listed};BYSETPOS=-1"


def choice_of(rule: str, *, start: dt.date) -> str:
    """The plain choice that this rule is, or ``OWN``."""
    return next((c for c, _ in CHOICES if plain_rule(c, start=start) == rule), OWN)


def in_words(rule: str, *, start: dt.date) -> str:
    """“every 2 weeks” for a plain choice; the rule itself for one of the keeper's own."""
    choice = choice_of(rule, start=start)
    return dict(CHOICES).get(choice) or f"by the rule {rule}"


def check(text: str, *, start: dt.date) -> str:
    """The rule as it is kept, or RuleError.

    Holds it to RFC 5545, section 3.3.10 (which parts there are, each once, and which go together)
    and to what a chore needs: days, and at least one of them within ten years of ``start``.
    """
    parts = _parts(text)
    for name, value in parts.items():
        _check_value(name, value)
    _check_together(parts)
    rule = ";".join(f"{name}={parts[name]}" for name in _ORDER if name in parts)
    try:
        first = next(_days(rule, start=start, last=start + HORIZON), None)
    except ValueError as unread:
        raise RuleError(f"This rule cannot be followed: {unread}.") from unread
    if first is None:
        raise RuleError("This rule gives no day within ten years of its start.")
    return rule


def days(rule: str, *, start: dt.date, first: dt.date, last: dt.date) -> list[dt.date]:
    """The days of a checked rule from ``first`` to ``last``, both included, in order."""
    return [day for day in _days(rule, start=start, last=last) if day >= first]


def next_days(rule: str, *, start: dt.date, after: dt.date, count: int = 1) -> list[dt.date]:
    """Up to ``count`` days of a checked rule that come after ``after``, within ten years."""
    last = max(after, start) + HORIZON
    return list(islice((d for d in _days(rule, start=start, last=last) if d > after), count))


def _days(rule: str, *, start: dt.date, last: dt.date) -> Iterator[dt.date]:
    """Every day from ``start`` to ``last``. A bound goes into the rule, so that one that gives no
    day ends there; COUNT and a bound exclude each other, and a count ends by itself."""
    found = rrulestr(rule, dtstart=dt.datetime.combine(start, dt.time()))
    if isinstance(found, rrule) and "COUNT=" not in rule:
        end = dt.datetime.combine(last, dt.time())
        if "UNTIL=" in rule:
            end = min(end, dt.datetime.strptime(_parts(rule)["UNTIL"], "%Y%m%d"))
        found = found.replace(until=end)
    return _while(found, last)


def _while(found: rrulebase, last: dt.date) -> Iterator[dt.date]:
    for moment in found:
        if moment.date() > last:
            return
        yield moment.date()


def _parts(text: str) -> dict[str, str]:
    plain = "".join(text.split()).upper().removeprefix("RRULE:").rstrip(";")
    if not plain:
        raise RuleError("Write a rule, such as FREQ=WEEKLY;BYDAY=MO,TH.")
    parts: dict[str, str] = {}
    for part in plain.split(";"):
        name, equals, value = part.partition("=")
        if not equals or not value:
            raise RuleError(f"“{part}” is not a part of a rule. A part reads like FREQ=WEEKLY.")
        if name in _TOO_FINE or value in _TOO_FINE:
            raise RuleError("A chore falls on days; it has no hours, minutes or seconds.")
        if name not in _ORDER:
            raise RuleError(f"“{name}” is not a part that a rule can have.")
        if name in parts:
            raise RuleError(f"{name} is there twice; a rule has each part once.")
        parts[name] = value
    if "FREQ" not in parts:
        raise RuleError("The rule needs FREQ, such as FREQ=MONTHLY.")
    return parts


def _check_value(name: str, value: str) -> None:
    if name == "FREQ" and value not in _FREQUENCIES:
        raise RuleError("FREQ is one of DAILY, WEEKLY, MONTHLY, YEARLY.")
    if name == "WKST" and value not in _WEEKDAYS:
        raise RuleError("WKST is a day of the week: MO, TU, WE, TH, FR, SA or SU.")
    if name == "INTERVAL":
        _check_number(name, value, most=MOST_INTERVAL)
    if name == "COUNT":
        _check_number(name, value, most=MOST_COUNT)
    if name == "UNTIL":
        try:
            if not re.fullmatch(r"[0-9]{8}", value):
                raise ValueError
            dt.datetime.strptime(value, "%Y%m%d")
        except ValueError:
            raise RuleError("UNTIL is a date without time, such as 20301231.") from None
    if name == "BYDAY":
        for day in value.split(","):
            _check_weekday(day)
    if name in _RANGES:
        least, most, backwards = _RANGES[name]
        for number in value.split(","):
            _check_number(name, number, least=least, most=most, backwards=backwards)


def _check_weekday(text: str) -> None:
    found = _BY_DAY.fullmatch(text)
    if not found:
        raise RuleError("BYDAY lists days of the week, such as MO,TH or 1SA or -1FR.")
    if found["nth"] and not 1 <= abs(int(found["nth"])) <= 53:
        raise RuleError(f"BYDAY: “{text}” counts no such week; it counts 1 to 53.")


def _check_number(
    name: str, text: str, *, least: int = 1, most: int, backwards: bool = False
) -> None:
    found = re.fullmatch(r"[+-]?[0-9]{1,5}", text) is not None
    size = abs(int(text)) if found and backwards else int(text) if found else 0
    if not least <= size <= most:
        also = f", or −{least} to −{most}" if backwards else ""
        raise RuleError(f"{name} takes whole numbers from {least} to {most}{also}.")


def _check_together(parts: dict[str, str]) -> None:
    """What RFC 5545, section 3.3.10, says of parts that exclude or need each other."""
    frequency = parts["FREQ"]
    if "COUNT" in parts and "UNTIL" in parts:
        raise RuleError("A rule ends by COUNT or by UNTIL, not by both.")
    numbered = any(char.isdigit() for char in parts.get("BYDAY", ""))
    if numbered and (frequency not in ("MONTHLY", "YEARLY") or "BYWEEKNO" in parts):
        raise RuleError("Days such as 1SA go with FREQ=MONTHLY, or YEARLY without BYWEEKNO.")
    if "BYMONTHDAY" in parts and frequency == "WEEKLY":
        raise RuleError("BYMONTHDAY does not go with FREQ=WEEKLY.")
    if "BYYEARDAY" in parts and frequency != "YEARLY":
        raise RuleError("BYYEARDAY goes with FREQ=YEARLY alone.")
    if "BYWEEKNO" in parts and frequency != "YEARLY":
        raise RuleError("BYWEEKNO goes with FREQ=YEARLY alone.")
    others = [n for n in parts if n.startswith("BY") and n != "BYSETPOS"]
    if "BYSETPOS" in parts and not others:
        raise RuleError("BYSETPOS picks among other BY parts, and there are none.")
    _check_exists(parts)


def _check_exists(parts: dict[str, str]) -> None:
    """Refuse at once what no calendar has; looking for it would take to the year 9999."""
    in_a_set = {"DAILY": 1, "WEEKLY": 7, "MONTHLY": 31, "YEARLY": 366}[parts["FREQ"]]
    if all(abs(int(n)) > in_a_set for n in parts.get("BYSETPOS", "1").split(",")):
        raise RuleError(f"BYSETPOS: there are at most {in_a_set} days to pick from.")
    if "BYMONTH" in parts and "BYMONTHDAY" in parts:
        longest = max(_LONGEST[int(month) - 1] for month in parts["BYMONTH"].split(","))
        if all(abs(int(day)) > longest for day in parts["BYMONTHDAY"].split(",")):
            raise RuleError("No such month has such a day, so this rule gives no day.")
