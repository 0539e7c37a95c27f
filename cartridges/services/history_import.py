"""From an uploaded history to readings of a source, whole or not at all, and back again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from functools import partial
from typing import Any

from django.db import connection, transaction
from django.utils import timezone

from cartridges.models import HistoryImport, Source, SourceReading, Train
from hobbyhydro.households.models import User

from . import estimates, history_columns
from .acts import ActError
from .history_columns import Matching
from .history_file import FileProblem, Sheet, encoding_of, open_sheet
from .history_rows import NAMES, Draft, Row, Values, read

UNDONE = "import taken back"


def receive(*, source: Source, name: str, content: bytes, by: User | None) -> HistoryImport:
    """Keep an uploaded file. Raises FileProblem, keeping nothing, where it cannot be used.

    Where only a person can tell the encoding the file is kept all the same, to be asked about.
    """
    history = HistoryImport(
        source=source, file_name=name[:200], content=content, uploaded_by=by, columns={}
    )
    code = encoding_of(content)
    if code is not None:
        history.columns = history_columns.guess(open_sheet(content, encoding=code)).as_json()
    history.save()
    return history


def matching_of(history: HistoryImport) -> Matching | None:
    """How the file is to be read; None where its encoding has to be asked for first."""
    return Matching.from_json(history.columns)


def sheet_of(history: HistoryImport, matching: Matching) -> Sheet:
    """The kept file as rows of text."""
    return open_sheet(
        bytes(history.content), encoding=matching.encoding, delimiter=matching.delimiter
    )


def lay_out(
    history: HistoryImport, *, encoding: str, delimiter: str | None, header_row: int | None
) -> Matching:
    """Read the file in another way, and guess its columns afresh. Raises FileProblem."""
    sheet = open_sheet(bytes(history.content), encoding=encoding, delimiter=delimiter)
    if header_row is not None and header_row >= len(sheet.rows):
        raise FileProblem(f"The file has {len(sheet.rows)} rows; there is nothing below that one.")
    found = history_columns.guess(sheet, header_row)
    keep(history, found)
    return found


def keep(history: HistoryImport, matching: Matching) -> None:
    """Remember how the file is to be read."""
    history.columns = matching.as_json()
    history.save(update_fields=["columns"])


def draft(
    history: HistoryImport, matching: Matching, *, now: dt.datetime, only: int | None = None
) -> Draft:
    """All rows as they would be taken now (or the first ``only``, checked by themselves)."""
    source = history.source
    return read(
        sheet_of(history, matching),
        matching,
        zone=source.household.zone,
        now=now,
        kept=None if only is not None else partial(_kept, source),
        only=only,
    )


@transaction.atomic
def take(history: HistoryImport, *, by: User | None, leave_bad: bool, now: dt.datetime) -> Draft:
    """Turn the rows into readings, all in one transaction.

    With ``leave_bad`` the rows with errors are left out; without it a single one refuses the whole
    file. Raises ActError; nothing is saved then.
    """
    locked = (
        HistoryImport.objects.select_for_update()
        .select_related("source__household")
        .get(pk=history.pk)
    )
    matching = matching_of(locked)
    if locked.finished_at is not None:
        raise ActError("take", "This file was taken in already.")
    if matching is None or not matching.is_settled:
        raise ActError("take", "The columns of this file are not settled yet.")
    found = draft(locked, matching, now=now)
    if found.errors and not leave_bad:
        raise ActError("take", f"{found.bad_rows:,} rows cannot be read, so nothing was taken.")
    if not found.good:
        raise ActError("take", "There is no new reading in this file, so nothing was taken.")
    _insert(found.good, history=locked, origin=matching.origin, by=by)
    locked.finished_at = timezone.now()
    locked.rows_taken = len(found.good)
    locked.columns = {
        **locked.columns,
        "outcome": {
            "repeats": found.repeats,
            "unmeasured": found.unmeasured,
            "left_out": found.bad_rows,
        },
    }
    locked.save(update_fields=["finished_at", "rows_taken", "columns"])
    _touch(locked.source)
    return found


@transaction.atomic
def take_back(history: HistoryImport, *, by: User | None) -> int:
    """Undo a whole import: its readings are withdrawn, and the file waits to be taken again."""
    locked = HistoryImport.objects.select_for_update().get(pk=history.pk)
    if locked.finished_at is None:
        raise ActError("take", "This import was taken back already.")
    withdrawn: int = locked.readings.filter(withdrawn_at__isnull=True).update(
        withdrawn_at=timezone.now(), withdrawn_by=by, withdrawn_why=UNDONE
    )
    locked.finished_at = None
    locked.rows_taken = 0
    locked.save(update_fields=["finished_at", "rows_taken"])
    _touch(locked.source)
    return withdrawn


@transaction.atomic
def throw_away(history: HistoryImport) -> None:
    """Drop an upload that was not taken in. Readings withdrawn from it keep their record."""
    locked = HistoryImport.objects.select_for_update().get(pk=history.pk)
    if locked.finished_at is not None:
        raise ActError("take", "This file was taken in. Take the import back first.")
    if locked.readings.exists():
        locked.content = b""
        locked.finished_at = timezone.now()
        locked.save(update_fields=["content", "finished_at"])
    else:
        locked.delete()


def settle(source: Source) -> None:
    """Let the estimates of every train on this source follow."""
    for train in Train.objects.filter(source=source):
        estimates.settle(train)


def _touch(source: Source) -> None:
    for train in Train.objects.filter(source=source):
        estimates.mark_stale(train)


def _kept(source: Source, first: dt.datetime, last: dt.datetime) -> dict[dt.datetime, list[Values]]:
    """The standing readings of that time, by moment."""
    rows = source.readings.filter(withdrawn_at__isnull=True, at__range=(first, last))
    found: dict[dt.datetime, list[Values]] = {}
    for at, *values in rows.values_list("at", *NAMES):
        rounded = tuple(None if v is None else round(v, 9) for v in values)
        found.setdefault(at, []).append(rounded)
    return found


def _insert(rows: Iterable[Row], *, history: HistoryImport, origin: str, by: User | None) -> None:
    """Insert readings by one prepared statement: three times as fast as model instances in bulk.

    Every column is prepared by its own field, from one model instance that holds what all the
    rows share.
    """
    shared = SourceReading(source=history.source, imported=history, origin=origin, logged_by=by)
    fields = [f for f in SourceReading._meta.concrete_fields if not f.primary_key]
    common = [f.get_db_prep_save(f.pre_save(shared, True), connection) for f in fields]
    names = [f.name for f in fields]
    at_place, value_places = names.index("at"), [names.index(name) for name in NAMES]
    adapted = connection.ops.adapt_datetimefield_value

    parameters: list[list[Any]] = []
    for row in rows:
        line = list(common)
        line[at_place] = adapted(row.at)
        for place, value in zip(value_places, row.values, strict=True):
            line[place] = value
        parameters.append(line)
    quoted = connection.ops.quote_name
    columns = ", ".join(quoted(str(f.column)) for f in fields)
    marks = ", ".join(["%s"] * len(fields))
    table = quoted(SourceReading._meta.db_table)
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", parameters)
