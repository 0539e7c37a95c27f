"""Every row of a history, read and checked: what would be taken, what is wrong and why."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import zoneinfo
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from operator import attrgetter

from .history_cells import CellError, Stamp, figure, moment, stamps
from .history_columns import (
    MEASURES,
    Matching,
    Measure,
    column_names,
    data_rows,
    date_cells,
    joined,
)
from .history_file import Sheet

NAMES = tuple(MEASURES)
Values = tuple[float | None, ...]  # one for each of NAMES, in the kept units
KeptBetween = Callable[[dt.datetime, dt.datetime], dict[dt.datetime, list[Values]]]
MONTHS = {"dmy": "day first", "mdy": "month first"}
_UNMEASURED: list[float | None] = [None] * len(NAMES)
_FREE, _TOTAL = NAMES.index("free_mg_l"), NAMES.index("total_mg_l")


@dataclass(frozen=True, slots=True)
class Row:
    """One good row: where it stands in the file, its moment in UTC, what was measured."""

    number: int
    at: dt.datetime
    values: Values


@dataclass(frozen=True, slots=True)
class RowError:
    """What is wrong in one row: where, what stands there, and why it cannot be taken."""

    number: int
    column: str
    found: str
    message: str


@dataclass(slots=True)
class Draft:
    """A whole file as it would be taken.

    ``repeats`` counts rows that say what an earlier row or a kept reading says already;
    ``unmeasured`` rows that have a date and no figure. Neither is an error.
    """

    good: list[Row] = field(default_factory=list)
    errors: list[RowError] = field(default_factory=list)
    repeats: int = 0
    unmeasured: int = 0
    rows: int = 0

    @property
    def bad_rows(self) -> int:
        return len({error.number for error in self.errors})


class _Reader:
    """Reads cells of one file, each different text once."""

    def __init__(
        self, sheet: Sheet, matching: Matching, *, zone: zoneinfo.ZoneInfo, now: dt.datetime
    ) -> None:
        self.matching = matching
        self.zone = zone
        self.now = now
        self.names = column_names(sheet, matching.header_row)
        self.width = len(self.names)
        self.stamps = stamps(text for _, text in date_cells(sheet, matching))
        self.hours = any(isinstance(s, Stamp) and s.has_hour for s in self.stamps.values())
        self.moments: dict[str, dt.datetime | CellError] = {}
        self.plan = [
            (NAMES.index(m.name), matching.columns[m.name], m, {}) for m in matching.measures
        ]  # type: list[tuple[int, int, Measure, dict[str, float | None | CellError]]]

    def row(self, number: int, cells: list[str]) -> tuple[Row | None, list[RowError]]:
        """The row, or None with what is wrong; None and no errors where nothing was measured."""
        if problem := self._ragged(number, cells):
            return None, [problem]
        wrong: list[RowError] = []
        values: list[float | None] = [None] * len(NAMES)
        for place, index, measure, known in self.plan:
            text = cells[index]
            if text not in known:
                known[text] = self._value(text, measure)
            value = known[text]
            if isinstance(value, CellError):
                wrong.append(RowError(number, self.names[index], text, _sentence(value)))
            else:
                values[place] = value
        if not wrong and values == _UNMEASURED:
            return None, []
        at = self._moment(number, cells)
        if isinstance(at, RowError):
            return None, [at, *wrong]
        free, total = values[_FREE], values[_TOTAL]
        if free is not None and total is not None and total < free - 1e-9:
            column = self.names[self.matching.columns["total_mg_l"]]
            message = (
                f"Total chlorine is below free chlorine ({total:g} below {free:g} mg/L), "
                "and total holds free. Are the columns swapped?"
            )
            wrong.append(
                RowError(number, column, cells[self.matching.columns["total_mg_l"]], message)
            )
        return (None, wrong) if wrong else (Row(number, at, tuple(values)), [])

    def _ragged(self, number: int, cells: list[str]) -> RowError | None:
        extra = len(cells) - self.width
        if extra == 0 or (extra > 0 and not any(c.strip() for c in cells[self.width :])):
            return None
        return RowError(
            number,
            "",
            self.matching.delimiter.join(cells)[:80],
            f"This row has {len(cells)} cells where the other rows have {self.width}: "
            + ("something is missing." if extra < 0 else "is a mark too many in it?"),
        )

    def _moment(self, number: int, cells: list[str]) -> dt.datetime | RowError:
        columns = self.matching.columns
        text = joined(cells, columns["date"], columns.get("time"))
        if text not in self.moments:
            try:
                self.moments[text] = self._read_moment(text)
            except CellError as error:
                self.moments[text] = error
        at = self.moments[text]
        if isinstance(at, CellError):
            return RowError(number, self.names[columns["date"]], text, _sentence(at))
        return at

    def _read_moment(self, text: str) -> dt.datetime:
        if not text:
            raise CellError("the date is missing")
        written = self.stamps[text]
        if isinstance(written, CellError):
            raise written
        try:
            return moment(
                written,
                order=self.matching.order,
                hours=self.hours,
                zone=self.zone,
                now=self.now,
            )
        except CellError as error:
            raise self._with_order(error, written) from None

    def _with_order(self, error: CellError, written: Stamp) -> CellError:
        if written.open and self.matching.order and "month" in str(error):
            return CellError(f"{error}: the dates are read {MONTHS[self.matching.order]}")
        return error

    def _value(self, text: str, measure: Measure) -> float | None | CellError:
        try:
            written = figure(text, decimal=self.matching.decimal, below=self.matching.below)
        except CellError as error:
            return error
        if written is None:
            return None
        label, slope, offset = self.matching.unit(measure)
        kept = round(written * slope + offset, 9)
        if written < 0 and measure.name != "temperature_c":
            return CellError("this is below zero")
        if not measure.least <= kept <= measure.most:
            least, most = (measure.least - offset) / slope, (measure.most - offset) / slope
            unit = "" if label == "pH" else f" {label.split(' ')[0]}"
            return CellError(
                f"this is not what tap water shows: from {least:g} to {most:g}{unit} makes sense"
            )
        return kept


def read(
    sheet: Sheet,
    matching: Matching,
    *,
    zone: zoneinfo.ZoneInfo,
    now: dt.datetime,
    kept: KeptBetween | None = None,
    only: int | None = None,
) -> Draft:
    """Read every row (or the first ``only``) and check each alone and against the others.

    ``kept`` gives the readings that the source has already between two moments, by moment; the
    rows are checked against them too.
    """
    reader = _Reader(sheet, matching, zone=zone, now=now)
    draft = Draft()
    together: dict[dt.datetime, list[Row]] = {}
    for number, cells in data_rows(sheet, matching.header_row):
        if only is not None and draft.rows >= only:
            break
        draft.rows += 1
        row, wrong = reader.row(number, cells)
        if row is not None:
            together.setdefault(row.at, []).append(row)
        elif wrong:
            draft.errors += wrong
        else:
            draft.unmeasured += 1
    before = kept(min(together), max(together)) if kept is not None and together else {}
    column = reader.names[matching.columns["date"]]
    for at, rows in together.items():
        _compare(draft, rows, before.get(at, []), column=column, zone=zone)
    draft.errors.sort(key=attrgetter("number"))
    return draft


def _compare(
    draft: Draft, rows: list[Row], before: list[Values], *, column: str, zone: zoneinfo.ZoneInfo
) -> None:
    """Sort the rows of one moment into new ones, repeats, and those that disagree."""
    if len(rows) == 1 and not before:
        draft.good += rows
        return
    different: dict[Values, Row] = {}
    for row in rows:
        different.setdefault(row.values, row)
    fresh = [r for r in different.values() if not any(_repeats(r.values, old) for old in before)]
    draft.repeats += len(rows) - len(fresh)
    firsts = [_first_two(place, different.values()) for place in range(len(NAMES))]
    for row in fresh:
        message = _clash(row, firsts, before, zone=zone)
        if message is None:
            draft.good.append(row)
        else:
            when = f"{row.at.astimezone(zone):%Y-%m-%d %H:%M}"
            draft.errors.append(RowError(row.number, column, when, message))


def _repeats(new: Values, old: Values) -> bool:
    """Whether ``new`` measured nothing that ``old`` does not say already."""
    return all(a is None or a == b for a, b in zip(new, old, strict=True))


def _first_two(place: int, rows: Iterable[Row]) -> list[Row]:
    """The first row with a figure for this reading, and the first with another figure."""
    found: list[Row] = []
    for row in rows:
        value = row.values[place]
        if value is not None and (not found or value != found[0].values[place]):
            found.append(row)
            if len(found) == 2:
                break
    return found


def _clash(
    row: Row, firsts: list[list[Row]], before: list[Values], *, zone: zoneinfo.ZoneInfo
) -> str | None:
    """What contradicts this row, in words; None where nothing does."""
    day = f"{row.at.astimezone(zone):%-d %b %Y}"
    for place, name in enumerate(NAMES):
        value = row.values[place]
        if value is None:
            continue
        label = MEASURES[name].label if name == "ph" else MEASURES[name].label.lower()
        old = next((v[place] for v in before if v[place] not in (None, value)), None)
        if old is not None:
            return (
                f"You have a reading of this moment, {day}, that disagrees: {label} {old:g}, "
                f"where this row has {value:g}. Correct that one, or leave this row out."
            )
        other = next((r for r in firsts[place] if r.values[place] != value), None)
        if other is not None and len(firsts[place]) == 2:
            a, b = sorted((row, other), key=attrgetter("number"))
            return (
                f"Rows {a.number} and {b.number} are of the same moment, {day}, and disagree: "
                f"{label} {a.values[place]:g} and {b.values[place]:g}. "
                "If the file holds several sampling points, keep one of them."
            )
    return _below_free(row, firsts, before, day=day)


def _below_free(row: Row, firsts: list[list[Row]], before: list[Values], *, day: str) -> str | None:
    """Free and total of one moment in two rows, or one in the file and one kept, are one test."""
    here = [*before, *(other.values for found in firsts for other in found)]
    free, total = (
        [row.values[place]] if row.values[place] is not None else [v[place] for v in here]
        for place in (_FREE, _TOTAL)
    )
    most = max((v for v in free if v is not None), default=0.0)
    least = min((v for v in total if v is not None), default=math.inf)
    measured = row.values[_FREE] is not None or row.values[_TOTAL] is not None
    if not measured or least >= most - 1e-9:
        return None
    return (
        f"Total chlorine is below free chlorine at this moment, {day} ({least:g} below {most:g} "
        "mg/L), and total holds free. Correct one of them, or leave it out."
    )


def _sentence(error: CellError) -> str:
    text = str(error)
    return f"{text[0].upper()}{text[1:]}."


def safe_cell(text: str) -> str:
    """A cell that no spreadsheet program takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") else text


def errors_csv(errors: Iterable[RowError]) -> str:
    """The errors as CSV, one a row, safe to open in a spreadsheet program."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["row", "column", "what stands there", "what is wrong"])
    for error in errors:
        cells = (str(error.number), error.column, error.found, error.message)
        writer.writerow([safe_cell(cell) for cell in cells])
    return out.getvalue()
