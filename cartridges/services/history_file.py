"""From the bytes of an uploaded file to rows of text, or a plain word on why that cannot be.

Row numbers are those that a spreadsheet shows: every record counts, blank lines too, and a quoted
cell that runs over several lines is one record. So ``rows[0]`` is row 1.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from dataclasses import dataclass
from itertools import islice

MOST_BYTES = 20 * 1024 * 1024
MOST_ROWS = 500_000
MOST_COLUMNS = 500
DELIMITERS = {"\t": "a tab", ";": "a semicolon ;", "|": "a bar |", ",": "a comma ,"}
# 8-bit encodings that a European or American program may have written, offered where nothing
# in the file says which one it was.
EIGHT_BIT = {
    "cp1252": "Western European",
    "mac_roman": "Western European, from an older Mac",
    "cp437": "Western European, from an older DOS program",
    "cp1250": "Central European",
    "cp1251": "Cyrillic",
}
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_OTHER_FILES = (
    (
        b"PK\x03\x04",
        "This is a zip archive, whatever its name says; a spreadsheet program’s own file is one "
        "too. Open it, save the sheet as CSV, and upload that.",
    ),
    (
        b"\xd0\xcf\x11\xe0",
        "This is a spreadsheet program’s own file. Save the sheet as CSV, and upload that.",
    ),
    (b"\x1f\x8b", "This file is compressed. Unpack it, and upload the CSV that is inside."),
    (b"%PDF", "This is a PDF. Readings have to come as CSV: rows of text, one test a row."),
)


class FileProblem(ValueError):
    """The file cannot be read as rows of text; the message says why, to the keeper."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a file, as text. A blank line is an empty list."""

    rows: list[list[str]]
    encoding: str
    delimiter: str

    @property
    def width(self) -> int:
        """How many cells most rows have."""
        return _usual_width(self.rows[:200])

    @property
    def is_even(self) -> bool:
        """Whether more than half of the first rows have that many cells."""
        rows = [row for row in self.rows[:200] if row]
        usual = self.width
        return 2 * sum(len(row) == usual for row in rows) > len(rows)


def encoding_of(content: bytes) -> str | None:
    """The encoding, where the bytes leave no doubt; None where a person has to choose.

    Certain are: a byte order mark; UTF-16 without one, by its zero bytes; and anything that is
    valid UTF-8, which text of another encoding practically never is by chance.
    Raises FileProblem for what is no text file at all.
    """
    if not content.strip():
        raise FileProblem("This file is empty.")
    if len(content) > MOST_BYTES:
        raise FileProblem(
            f"This file is {len(content) / 1_048_576:,.0f} MB; at most "
            f"{MOST_BYTES // 1_048_576} MB can be read. Split it into parts, and import them in "
            "turn."
        )
    for start, message in _OTHER_FILES:
        if content.startswith(start):
            raise FileProblem(message)
    for mark, name in _BOMS:
        if content.startswith(mark):
            return name
    if b"\0" in content:
        return _wide(content)
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return None
    return "utf-8"


def choices(content: bytes) -> dict[str, str]:
    """8-bit encodings that the file could be in, each with the first line that it decides.

    Of encodings that read those lines alike the first is enough.
    """
    lines = [line for line in content.splitlines() if not line.isascii()][:20]
    offered: dict[str, str] = {}
    seen: set[str] = set()
    for code, name in EIGHT_BIT.items():
        if not _decodes(content, code):
            continue
        read = b"\n".join(lines).decode(code)
        if read not in seen:
            seen.add(read)
            offered[code] = f"{read.splitlines()[0][:120] if lines else ''} ({name})"
    return offered


def open_sheet(
    content: bytes, *, encoding: str | None = None, delimiter: str | None = None
) -> Sheet:
    """Decode and split a file. What is not given is found out.

    Raises FileProblem where the file is empty, no text, in an encoding that has to be asked for,
    has quotation marks that do not close, or holds a single column or nothing below its names.
    """
    code = encoding or encoding_of(content)
    if code is None:
        raise FileProblem("The file does not say in which encoding its letters are written.")
    try:
        text = content.decode(code)
    except (UnicodeDecodeError, LookupError):
        raise FileProblem(
            "Some bytes in this file are no text. Save it again as CSV in UTF-8."
        ) from None
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise FileProblem(
            f"Row {text[: text.index(chr(0))].count(chr(10)) + 1} holds zero bytes, which no text "
            "has: the file is damaged, or no CSV. Save it again, and upload that."
        )
    mark = delimiter or _delimiter_of(text)
    rows = _split(text, mark)
    if not any(any(cell.strip() for cell in row) for row in rows):
        raise FileProblem("This file holds no readings: all its rows are blank.")
    return Sheet(rows, code, mark)


def _wide(content: bytes) -> str:
    """UTF-16 without a mark, told by where its zero bytes stand."""
    even, odd = content[0::2].count(0), content[1::2].count(0)
    half = len(content) / 2
    if len(content) % 2 == 0 and min(even, odd) < 0.05 * half and max(even, odd) > 0.5 * half:
        code = "utf-16-le" if odd > even else "utf-16-be"
        if _decodes(content, code):
            return code
    if content.count(b"\n") and b"\0" in content:
        before = content[: content.index(b"\0")]
        raise FileProblem(
            f"Row {before.count(10) + 1} holds zero bytes, which no text has: the file is damaged, "
            "or no CSV. Save it again, and upload that."
        )
    raise FileProblem("This is not a text file. Readings have to come as CSV.")


def _decodes(content: bytes, code: str) -> bool:
    try:
        content.decode(code)
    except UnicodeDecodeError:
        return False
    return True


def _usual_width(rows: list[list[str]]) -> int:
    widths = Counter(len(row) for row in rows if row)
    return widths.most_common(1)[0][0] if widths else 0  # of equals the first


def _delimiter_of(text: str) -> str:
    """The mark that splits the first rows into the same number of cells, two or more.

    A tab, a semicolon or a bar wins over a comma that does as well: in such files the comma is
    the decimal mark. Where no mark splits anything the comma is taken.
    """
    head = text[:65_536]
    if len(head) < len(text):
        head = head[: head.rfind("\n") + 1] or head
    best, best_share = ",", 0.0
    for mark in DELIMITERS:
        try:
            rows = list(
                islice(
                    (r for r in csv.reader(io.StringIO(head, newline=""), delimiter=mark) if r), 200
                )
            )
        except csv.Error:
            continue
        usual = _usual_width(rows)
        if usual < 2:
            continue
        share = sum(len(row) == usual for row in rows) / len(rows)
        if share > best_share + 0.2:
            best, best_share = mark, share
    return best


def _split(text: str, mark: str) -> list[list[str]]:
    rows: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    try:
        for row in reader:
            rows.append(row)
            if len(row) > MOST_COLUMNS:
                raise FileProblem(
                    f"Row {len(rows)} has {len(row):,} columns; at most {MOST_COLUMNS} can be read."
                )
            if len(rows) > MOST_ROWS:
                raise FileProblem(
                    f"This file has more than {MOST_ROWS:,} rows. Split it into parts, and import "
                    "them in turn."
                )
    except csv.Error as error:
        unclosed = "unexpected end" in str(error) or "field larger" in str(error)
        raise FileProblem(
            f"A quotation mark opens in row {len(rows) + 1} and is never closed."
            if unclosed
            else f"The quotation marks in row {len(rows) + 1} do not match."
        ) from None
    return rows
