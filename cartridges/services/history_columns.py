"""Which column of a history is which: guessed from its names and cells, settled by the keeper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from itertools import islice
from typing import Any

from hobbyhydro.households.units import QUANTITIES, to_kept

from .history_cells import (
    CellError,
    DateSurvey,
    Order,
    decimal_mark,
    figure,
    says_nothing,
    stamp,
    survey,
)
from .history_file import FileProblem, Sheet

SAMPLE = 200


@dataclass(frozen=True, slots=True)
class Measure:
    """One kind of reading that a history can hold, with the units that a column can be in.

    ``units`` maps a code to its label and to (slope, offset): kept = slope * written + offset.
    ``least`` and ``most`` are in the kept unit.
    """

    name: str
    label: str
    units: dict[str, tuple[str, float, float]]
    least: float
    most: float


_CHLORINE = QUANTITIES["chlorine"]
_TEMPERATURE = QUANTITIES["temperature"]
_TURBIDITY = QUANTITIES["turbidity"]
_FREEZING_F = to_kept(0.0, quantity="temperature", units="us")
_PER_F = to_kept(1.0, quantity="temperature", units="us") - _FREEZING_F
_CHLORINE_UNITS = {"mg/L": ("mg/L (ppm)", 1.0, 0.0), "µg/L": ("µg/L (ppb)", 1e-3, 0.0)}

MEASURES = {
    m.name: m
    for m in (
        Measure("free_mg_l", "Free chlorine", _CHLORINE_UNITS, _CHLORINE.least, _CHLORINE.most),
        Measure("total_mg_l", "Total chlorine", _CHLORINE_UNITS, _CHLORINE.least, _CHLORINE.most),
        Measure(
            "temperature_c",
            "Temperature",
            {"°C": ("°C", 1.0, 0.0), "°F": ("°F", _PER_F, _FREEZING_F)},
            _TEMPERATURE.least,
            _TEMPERATURE.most,
        ),
        Measure("ph", "pH", {"pH": ("pH", 1.0, 0.0)}, 4.0, 11.0),
        Measure(
            "turbidity_ntu",
            "Turbidity",
            {"NTU": ("NTU", 1.0, 0.0)},
            _TURBIDITY.least,
            _TURBIDITY.most,
        ),
    )
}


@dataclass(slots=True)
class Matching:
    """How a history is to be read. Kept with the upload from step to step.

    ``columns`` maps "date", "time" and the names of MEASURES to the index of their column.
    ``header_row`` is the number of the row with the names, 0 where there is none.
    """

    encoding: str
    delimiter: str
    header_row: int
    columns: dict[str, int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    order: Order = ""
    decimal: str = "."
    below: str = "refuse"
    origin: str = ""

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, kept: dict[str, Any]) -> Matching | None:
        """The matching that was kept; None where the layout has not been settled yet."""
        known = {k: v for k, v in kept.items() if k in cls.__dataclass_fields__}
        return cls(**known) if "header_row" in known else None

    @property
    def measures(self) -> list[Measure]:
        """The readings that have a column, in the order in which they are shown."""
        return [m for name, m in MEASURES.items() if name in self.columns]

    def unit(self, measure: Measure) -> tuple[str, float, float]:
        return measure.units[self.units.get(measure.name) or next(iter(measure.units))]

    @property
    def is_settled(self) -> bool:
        return "date" in self.columns and bool(self.measures) and bool(self.origin)


def letter(index: int) -> str:
    """The letters by which a spreadsheet names a column; 0 is A."""
    name, n = "", index + 1
    while n:
        n, rest = divmod(n - 1, 26)
        name = chr(65 + rest) + name
    return name


def column_names(sheet: Sheet, header_row: int) -> list[str]:
    """The names in the header, “column B” for those without one."""
    heads = sheet.rows[header_row - 1] if header_row else []
    width = max(len(heads), sheet.width) if sheet.is_even or not heads else len(heads)
    given = [heads[i].strip() if i < len(heads) else "" for i in range(width)]
    return [name or f"column {letter(i)}" for i, name in enumerate(given)]


def data_rows(sheet: Sheet, header_row: int) -> Iterator[tuple[int, list[str]]]:
    """(row number, cells) of the rows below the header that are not blank."""
    for number, row in enumerate(islice(sheet.rows, header_row, None), start=header_row + 1):
        if any(cell and not cell.isspace() for cell in row):
            yield number, row


def cells(sheet: Sheet, header_row: int, index: int) -> Iterator[tuple[int, str]]:
    """(row number, text) of one column."""
    for number, row in data_rows(sheet, header_row):
        if index < len(row):
            yield number, row[index]


def dates_of(sheet: Sheet, matching: Matching) -> DateSurvey:
    """How the matched column of dates is written."""
    return survey(date_cells(sheet, matching))


def date_cells(sheet: Sheet, matching: Matching) -> Iterator[tuple[int, str]]:
    """(row number, text) of the dates, each with the time's cell behind it where there is one."""
    date, time = matching.columns["date"], matching.columns.get("time")
    for number, row in data_rows(sheet, matching.header_row):
        yield number, joined(row, date, time)


def joined(row: list[str], date: int, time: int | None) -> str:
    """The date's cell with the time's behind it, where there is one."""
    text = row[date].strip() if date < len(row) else ""
    if time is not None and time < len(row) and row[time].strip():
        text = f"{text} {row[time].strip()}"
    return text


def guess_header(sheet: Sheet) -> int:
    """The number of the row that holds the names; 0 where the first full row is a reading."""
    usual = sheet.width
    for number, row in enumerate(sheet.rows[:20], start=1):
        if len(row) == usual and sum(bool(cell.strip()) for cell in row) >= min(2, usual):
            return 0 if any(_is_figure(c) or _is_date(c) for c in row) else number
    return 0


def guess(sheet: Sheet, header_row: int | None = None) -> Matching:
    """The likeliest matching. Raises FileProblem where there is no column to match."""
    header = guess_header(sheet) if header_row is None else header_row
    names = column_names(sheet, header)
    if len(names) < 2:
        raise FileProblem(
            "Only one column was found. A history needs a date and at least one reading a row, "
            "split by commas, semicolons or tabs."
        )
    sample = list(islice(data_rows(sheet, header), SAMPLE))
    if not sample:
        raise FileProblem("This file holds column names and no readings below them.")
    found = Matching(sheet.encoding, sheet.delimiter, header)
    for index, name in enumerate(names):
        what = _meant_by(name)
        if what and what not in found.columns:
            found.columns[what] = index
            if unit := _unit_in(name, what):
                found.units[what] = unit
    if "date" not in found.columns:
        _find_dates(found, sample, len(names))
    if "time" in found.columns and not _holds_times(sample, found.columns["time"]):
        del found.columns["time"]
    if "date" in found.columns:
        found.order = dates_of(sheet, found).order
    taken = [found.columns[m.name] for m in found.measures] or range(len(names))
    if "temperature_c" in found.columns and _hot(sample, found.columns["temperature_c"]):
        found.units["temperature_c"] = "°F"
    found.decimal = decimal_mark(
        row[i]
        for _, row in sample
        for i in taken
        if i < len(row) and i != found.columns.get("date")
    )
    return found


def _find_dates(found: Matching, sample: list[tuple[int, list[str]]], width: int) -> None:
    for index in range(width):
        texts = [row[index] for _, row in sample if index < len(row)]
        if sum(_is_date(t) for t in texts) > 0.5 * len(sample):
            found.columns["date"] = index
            return


def _hot(sample: list[tuple[int, list[str]]], index: int) -> bool:
    """Whether the figures would scald, were they in °C."""
    warmest = MEASURES["temperature_c"].most
    texts = [row[index].replace(",", ".") for _, row in sample if index < len(row)]
    figures = [figure(t) for t in texts if _is_figure(t) and not t.strip().startswith("<")]
    return bool(figures) and sum((f or 0.0) > warmest for f in figures) > 0.5 * len(figures)


def _holds_times(sample: list[tuple[int, list[str]]], index: int) -> bool:
    texts = [row[index].strip() for _, row in sample if index < len(row)]
    return sum(":" in t and len(t) <= 14 for t in texts) > 0.5 * len(sample)


def _meant_by(name: str) -> str | None:
    """The reading, or "date" or "time", that a column of this name most likely holds."""
    words = set(re.findall(r"[a-zµ]+|[0-9]+", name.lower().replace("cl2", "chlorine")))
    flat = " ".join(sorted(words))
    chlorine = any(w in flat for w in ("chlor", "residual", "disinfect", "mg", "ppm", "ppb"))
    if "turb" in flat or words & {"ntu", "fnu"}:
        return "turbidity_ntu"
    if any(w.startswith("temp") for w in words):
        return "temperature_c"
    if "ph" in words:
        return "ph"
    if "free" in words and "ammonia" not in words:
        return "free_mg_l"
    alone = words <= {"total", "mg", "l", "ppm"}
    other = words & {"coliform", "dissolved", "nitrogen", "hardness", "solids", "organic"}
    if "total" in words and (alone or (chlorine and not other)):
        return "total_mg_l"
    if words & {"date", "datetime", "day", "timestamp"} or "sampled" in words:
        return "date"
    return "time" if "time" in words else None


def _unit_in(name: str, what: str) -> str | None:
    lower = name.lower()
    if what in ("free_mg_l", "total_mg_l"):
        small = re.search(r"(?:µg|μg|ug|ppb)", lower)
        return "µg/L" if small else "mg/L"
    if what == "temperature_c":
        return (
            "°F"
            if re.search(r"(?:°\s*f|deg_?f|fahrenheit|[\s_(\[]f(?:[)\]\s]|$))", lower)
            else "°C"
        )
    return None


def _is_figure(text: str) -> bool:
    try:
        return not says_nothing(text) and figure(text.replace(",", "."), below="figure") is not None
    except CellError:
        return False


def _is_date(text: str) -> bool:
    try:
        stamp(text)
    except CellError:
        return False
    return True
