"""What one cell of a history says: a figure or a moment. A doubt is a message, never a guess."""

from __future__ import annotations

import datetime as dt
import math
import re
import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Order = Literal["dmy", "mdy", ""]
FIRST_YEAR = 1990
NOTHING = frozenset({"", "-", "–", "—", "na", "n/a", "null", "none", "."})

_FIGURE = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_POINT = re.compile(r"[<+-]?\s*[0-9]*\.[0-9]+")
_COMMA = re.compile(r"[<+-]?\s*[0-9]*,[0-9]+")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}\.?"
_YEAR_FIRST = re.compile(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})")
_PLAIN = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})(?:[T ]([01][0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]))?)?"
)
_EIGHT_DIGITS = re.compile(r"((?:19|20)[0-9]{2})([0-9]{2})([0-9]{2})")
_YEAR_LAST = re.compile(r"([0-9]{1,2})[-/.]([0-9]{1,2})[-/.]([0-9]{4}|[0-9]{2})")
_DAY_MONTH = re.compile(rf"([0-9]{{1,2}})\.?[-/ ]?{_MONTH}[-/, ]*([0-9]{{4}}|[0-9]{{2}})", re.I)
_MONTH_DAY = re.compile(rf"{_MONTH}[- ]([0-9]{{1,2}}),? *([0-9]{{4}})", re.I)
_TIME = re.compile(
    r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,][0-9]+)?)?\s*([ap]\.?m\.?)?"
    r"\s*(z|utc|gmt|[+-][0-9]{2}:?[0-9]{2})?",
    re.I,
)
_TWO_PARTS = re.compile(r"(.*?[0-9])(?:[T ]\s*([0-9]{1,2}:[0-9]{2}.*))?", re.I)


class CellError(ValueError):
    """This cell cannot be read; the message says why, to the keeper."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """A written date. ``open`` ones carry day and month in the order in which they stand."""

    year: int
    first: int
    second: int
    open: bool
    time: dt.time | None
    offset: dt.tzinfo | None

    def day(self, order: Order) -> dt.date:
        """The calendar day; ``order`` is only asked where the writing leaves it open."""
        month, day = self.first, self.second
        if self.open and order == "dmy":
            month, day = day, month
        if not 1 <= month <= 12:
            raise CellError(f"there is no month {month}")
        if self.year < FIRST_YEAR:
            raise CellError(f"the year {self.year} cannot be meant")
        try:
            return dt.date(self.year, month, day)
        except ValueError:
            raise CellError("this day is not in the calendar") from None

    @property
    def has_hour(self) -> bool:
        return self.time is not None and self.time != dt.time(0)


def says_nothing(text: str) -> bool:
    """Whether the cell is empty or holds one of the usual marks for “not measured”."""
    return text.strip().lower() in NOTHING


def figure(text: str, *, decimal: str = ".", below: str = "refuse") -> float | None:
    """The figure in a cell; None where nothing was measured.

    ``decimal`` is the decimal mark of the file, "." or ",". ``below`` says what to do with
    “<0.05”: "refuse" it, or take the "figure" itself, which is never less than what was there.
    NaN and infinity are refused, and so is anything else that is no plain decimal number.
    """
    if says_nothing(text):
        return None
    bare = text.strip().replace("\u00a0", "").replace("\u2212", "-")
    if bare.startswith("<"):
        if below == "refuse":
            raise CellError("this is below what the test could show, not a figure")
        bare = bare[1:].strip()
    other = "." if decimal == "," else ","
    if other in bare and _FIGURE.fullmatch(bare.replace(other, ".", 1)):
        names = {".": "point", ",": "comma"}
        raise CellError(
            f"this has a decimal {names[other]}, but the file’s decimal mark is a {names[decimal]}"
        )
    if decimal == ",":
        bare = bare.replace(",", ".")
    if not _FIGURE.fullmatch(bare) or math.isinf(float(bare)):
        raise CellError("this is not a number; leave the cell empty where nothing was measured")
    return float(bare)


def decimal_mark(texts: Iterable[str]) -> str:
    """The decimal mark that more of these cells use; a point where none uses either."""
    points = commas = 0
    for text in texts:
        bare = text.strip()
        points += _POINT.fullmatch(bare) is not None
        commas += _COMMA.fullmatch(bare) is not None
    return "," if commas > points else "."


def stamp(text: str) -> Stamp:
    """A date as it is written, with its time of day and offset where those stand behind it."""
    if plain := _PLAIN.fullmatch(text):
        y, m, d, hh, mm, ss = (int(part) for part in plain.groups(default="0"))
        return Stamp(y, m, d, False, dt.time(hh, mm, ss) if plain[4] else None, None)
    parts = _TWO_PARTS.fullmatch(" ".join(text.split()))
    if parts is None:
        raise CellError("this is not a date")
    when, offset = _time(parts[2])
    written = parts[1]
    if found := (_YEAR_FIRST.fullmatch(written) or _EIGHT_DIGITS.fullmatch(written)):
        return Stamp(int(found[1]), int(found[2]), int(found[3]), False, when, offset)
    if found := _YEAR_LAST.fullmatch(written):
        return Stamp(_year(found[3]), int(found[1]), int(found[2]), True, when, offset)
    if found := _DAY_MONTH.fullmatch(written):
        month = _MONTHS.index(found[2].lower()) + 1
        return Stamp(_year(found[3]), month, int(found[1]), False, when, offset)
    if found := _MONTH_DAY.fullmatch(written):
        month = _MONTHS.index(found[1].lower()) + 1
        return Stamp(int(found[3]), month, int(found[2]), False, when, offset)
    if written.isdigit() and len(written) == 5:
        raise CellError("this is a spreadsheet’s day number; format the column as dates first")
    raise CellError("this is not a date")


def moment(
    written: Stamp, *, order: Order, hours: bool, zone: zoneinfo.ZoneInfo, now: dt.datetime
) -> dt.datetime:
    """The moment, in UTC.

    A day without an hour is noon of that day in ``zone`` (the start of the day while today's noon
    is still to come). ``hours`` is false where a column's times of day are all midnight, which
    only says that none was written down. The future is refused.
    """
    day = written.day(order)
    if hours and written.time is not None:
        local = dt.datetime.combine(day, written.time, tzinfo=written.offset or zone)
        if local > now + dt.timedelta(minutes=5):
            raise CellError("this moment is in the future")
        found = local.astimezone(dt.UTC)
        if written.offset is None and found.astimezone(zone).time() != written.time:
            raise CellError(
                "the clocks skipped this hour when they went forward; if yours did not, write "
                "the difference from UTC behind it, such as 02:30-06:00"
            )
        return found
    today = now.astimezone(zone).date()
    if day > today:
        raise CellError("this day is in the future")
    noon = dt.datetime.combine(day, dt.time(12), tzinfo=zone)
    if noon > now:
        noon = dt.datetime.combine(day, dt.time(0), tzinfo=zone)
    return noon.astimezone(dt.UTC)


@dataclass(frozen=True, slots=True)
class DateSurvey:
    """How the dates of a column are written.

    ``day_first`` and ``month_first``: the row of the first date that can only be read that way.
    ``open_row``: the row of the first that can be read both ways, with what it says.
    """

    dates: int
    hours: bool
    day_first: tuple[int, str] | None
    month_first: tuple[int, str] | None
    open_row: tuple[int, str] | None

    @property
    def clash(self) -> bool:
        return self.day_first is not None and self.month_first is not None

    @property
    def order(self) -> Order:
        """The order that the column itself gives away; "" where it need not or cannot tell."""
        if self.clash:
            return ""
        return "dmy" if self.day_first else "mdy" if self.month_first else ""

    @property
    def must_ask(self) -> bool:
        return self.open_row is not None and not self.order and not self.clash


def stamps(texts: Iterable[str]) -> dict[str, Stamp | CellError]:
    """Each different text of a column of dates, read once."""
    found: dict[str, Stamp | CellError] = {}
    for text in texts:
        if text not in found:
            try:
                found[text] = stamp(text)
            except CellError as error:
                found[text] = error
    return found


def survey(texts: Iterable[tuple[int, str]]) -> DateSurvey:
    """Look through (row number, text) of a column of dates."""
    rows: dict[str, int] = {}
    for row, text in texts:
        rows.setdefault(text, row)
    dates, hours = 0, False
    day_first = month_first = open_row = None
    for text, written in stamps(rows).items():
        if isinstance(written, CellError):
            continue
        dates += 1
        hours = hours or written.has_hour
        if not written.open:
            continue
        here = (rows[text], text)
        if 12 < written.first <= 31 and written.second <= 12:
            day_first = day_first or here
        elif 12 < written.second <= 31 and written.first <= 12:
            month_first = month_first or here
        elif written.first != written.second:
            open_row = open_row or here
    return DateSurvey(dates, hours, day_first, month_first, open_row)


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _time(text: str | None) -> tuple[dt.time | None, dt.tzinfo | None]:
    if text is None:
        return None, None
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise CellError("the time of day cannot be read")
    hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
    if found[4]:
        if not 1 <= hour <= 12:
            raise CellError("the time of day cannot be read")
        hour = hour % 12 + (12 if found[4][0].lower() == "p" else 0)
    try:
        time = dt.time(hour, minute, second)
    except ValueError:
        raise CellError("there is no such time of day") from None
    return time, _offset(found[5])


def _offset(text: str | None) -> dt.tzinfo | None:
    if not text:
        return None
    if text[0] not in "+-":
        return dt.UTC
    digits = text[1:].replace(":", "")
    away = dt.timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    if away >= dt.timedelta(hours=24):
        raise CellError("the time of day cannot be read")
    return dt.timezone(-away if text[0] == "-" else away)
