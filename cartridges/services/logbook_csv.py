"""The logbook as a file of comma-separated values, for a spreadsheet.

The form is that of RFC 4180 (CRLF, quotes doubled), in UTF-8 with a byte order mark, by which
spreadsheets know the encoding. A cell that begins like a formula gets an apostrophe before it, so
that what somebody wrote is read and never run; the characters are those of the OWASP page on CSV
injection (from memory).
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterable
from typing import Final

from django.utils import timezone

from cartridges.models import Fact
from hobbyhydro.households.models import HouseholdEvent

from .logbook import HOUSEHOLD, NAMES, Line, name_of

MARK: Final = "\ufeff"
STARTS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def as_csv(lines: Iterable[Line], *, units: str) -> str:
    """The lines of a logbook, one a row, in the reader's units and the active time zone."""
    out = io.StringIO()
    out.write(MARK)
    sheet = csv.writer(out)
    zone = timezone.get_current_timezone_name()
    sheet.writerow(
        [
            f"When ({zone})",
            "When (UTC)",
            "Kind",
            "What",
            "Remark",
            "By",
            f"Written down ({zone})",
            "Holds",
            "Taken back by",
            "Why",
        ]
    )
    for line in lines:
        sheet.writerow([harmless(cell) for cell in _cells(line, units)])
    return out.getvalue()


def harmless(cell: str) -> str:
    """The cell, so that no spreadsheet takes it for a formula."""
    return f"'{cell}" if cell.startswith(STARTS_A_FORMULA) else cell


def _cells(line: Line, units: str) -> list[str]:
    local = timezone.localtime(line.at)
    when = [f"{local:%Y-%m-%d %H:%M}", f"{line.at.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"]
    if isinstance(line, HouseholdEvent):
        written = f"{local:%Y-%m-%d %H:%M}"
        return [*when, NAMES[HOUSEHOLD], line.says, "", str(line.by or ""), written, "yes", "", ""]
    return when + _fact_cells(line, units)


def _fact_cells(fact: Fact, units: str) -> list[str]:
    return [
        name_of(fact),
        fact.summary(units=units).replace("\u00a0", " "),
        fact.remark,
        str(fact.logged_by or ""),
        f"{timezone.localtime(fact.logged_at):%Y-%m-%d %H:%M}",
        "yes" if fact.stands else "no",
        str(fact.withdrawn_by or ""),
        fact.withdrawn_why or fact.why,
    ]
