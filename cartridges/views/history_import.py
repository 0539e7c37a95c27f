"""Import of a source-water history: upload, match columns, check rows, take them in, undo."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from cartridges.forms.history_import import ColumnsForm, LayoutForm, UploadForm
from cartridges.models import Disinfectant, HistoryImport, Source
from cartridges.services import history_file, history_import, history_rows, source_water
from cartridges.services.acts import ActError
from cartridges.services.history_columns import Matching, data_rows
from cartridges.services.history_file import FileProblem
from hobbyhydro.households import access
from hobbyhydro.households.access import To

PREVIEW_ROWS = 8
ERRORS_SHOWN = 50


def _writable(request: HttpRequest, pk: int) -> HistoryImport:
    rows = HistoryImport.objects.select_related("source__household")
    history: HistoryImport = access.get(request, rows, pk, to=To.WRITE)
    return history


def _unfinished(
    view: Callable[[HttpRequest, HistoryImport], HttpResponse],
) -> Callable[[HttpRequest, int], HttpResponse]:
    """A step of an import that was not taken in yet; once it was, its outcome is shown instead."""

    @wraps(view)
    def step(request: HttpRequest, history: int) -> HttpResponse:
        upload = _writable(request, history)
        if upload.finished_at is not None:
            return redirect("import", upload.pk)
        return view(request, upload)

    return step


@login_required
@require_http_methods(["GET", "POST"])
def start(request: HttpRequest, source: int) -> HttpResponse:
    """Take a file, and say at once where it cannot be read."""
    tap = access.get(request, Source, source, to=To.WRITE)
    form = UploadForm(_sent(request), request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            history = history_import.receive(
                source=tap, name=file.name, content=file.read(), by=access.person(request)
            )
        except FileProblem as problem:
            form.add_error("file", str(problem))
        else:
            return redirect(_next_step(history), history.pk)
    context = {"source": tap, "form": form, "step": 1}
    return render(request, "cartridges/source/import_start.html", context)


@login_required
@require_GET
def show(request: HttpRequest, history: int) -> HttpResponse:
    """What an import brought in; an unfinished one goes on where it stopped."""
    rows = HistoryImport.objects.defer("content").select_related("source", "uploaded_by")
    upload = access.get(request, rows, history)
    if upload.finished_at is None:
        access.allow(access.membership(request), To.WRITE)
        return redirect(_next_step(upload), upload.pk)
    context = {
        "history": upload,
        "source": upload.source,
        "outcome": upload.columns.get("outcome", {}),
        "may_write": access.membership(request).may_write,
        "trains": list(upload.source.trains.all()),
        "step": 4,
    }
    return render(request, "cartridges/source/import_done.html", context)


@login_required
@require_http_methods(["GET", "POST"])
@_unfinished
def layout(request: HttpRequest, history: HistoryImport) -> HttpResponse:
    """Ask how the file is written, where nothing in it says so or what was found is wrong."""
    content = bytes(history.content)
    matching = history_import.matching_of(history)
    certain = matching is not None and matching.encoding not in history_file.EIGHT_BIT
    encodings = {matching.encoding: ""} if matching and certain else history_file.choices(content)
    form = LayoutForm(
        _sent(request),
        encodings=encodings,
        sheet=history_import.sheet_of(history, matching) if matching else None,
        initial=_layout_of(matching),
    )
    if request.method == "POST" and form.is_valid():
        try:
            history_import.lay_out(
                history,
                encoding=form.cleaned_data["encoding"],
                delimiter=form.cleaned_data.get("delimiter") or None,
                header_row=form.cleaned_data.get("header_row"),
            )
        except FileProblem as problem:
            form.add_error(None, str(problem))
        else:
            return redirect("import-columns", history.pk)
    context = _context(history, form=form, step=2, asks_encoding=not certain)
    return render(request, "cartridges/source/import_layout.html", context)


@login_required
@require_http_methods(["GET", "POST"])
@_unfinished
def columns(request: HttpRequest, history: HistoryImport) -> HttpResponse:
    """Match the columns, with the first rows shown as they will be read."""
    matching = history_import.matching_of(history)
    if matching is None:
        return redirect("import-layout", history.pk)
    sheet = history_import.sheet_of(history, matching)
    form = ColumnsForm(_sent(request), sheet=sheet, found=matching)
    if request.method == "POST" and form.is_valid():
        history_import.keep(history, form.matching)
        return redirect("import-check", history.pk)
    shown = form.matching if form.is_bound and form.is_valid() else matching
    context = _context(
        history, form=form, step=2, rows_in_file=_rows_in(sheet, matching), matching=matching
    )
    context |= {} if form.is_bound else _first_rows(history, shown)
    return render(request, "cartridges/source/import_columns.html", context)


@login_required
@require_GET
@_unfinished
def preview(request: HttpRequest, history: HistoryImport) -> HttpResponse:
    """The first rows as they would be read by what is chosen in the form."""
    found = history_import.matching_of(history)
    if found is None:
        raise Http404
    form = ColumnsForm(request.GET, sheet=history_import.sheet_of(history, found), found=found)
    form.fields["origin"].required = False
    context = _context(history)
    if form.is_valid():
        context |= _first_rows(history, form.matching)
    else:
        context["unsettled"] = [m for errors in form.errors.values() for m in errors]
    return render(request, "cartridges/source/_preview.html", context)


@login_required
@require_GET
@_unfinished
def check(request: HttpRequest, history: HistoryImport) -> HttpResponse:
    """All rows read, before anything is taken in."""
    matching = history_import.matching_of(history)
    if matching is None or not matching.is_settled:
        return redirect(_next_step(history), history.pk)
    draft = history_import.draft(history, matching, now=timezone.now())
    context = _context(history, step=3, draft=draft, errors=draft.errors[:ERRORS_SHOWN])
    context |= _rows_context(draft, matching)
    context["only_free"] = _only_free(history.source, matching)
    newest = max((row.at for row in draft.good), default=None)
    context["ends"] = source_water.old_end(history.source, newest, now=timezone.now())
    return render(request, "cartridges/source/import_check.html", context)


@login_required
@require_GET
@_unfinished
def errors(request: HttpRequest, history: HistoryImport) -> HttpResponse:
    """Every error as CSV, to mend the file by."""
    matching = history_import.matching_of(history)
    if matching is None or not matching.is_settled:
        raise Http404
    draft = history_import.draft(history, matching, now=timezone.now())
    text = "\ufeff" + history_rows.errors_csv(draft.errors)
    response = HttpResponse(text, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="rows-to-mend.csv"'
    return response


@login_required
@require_POST
def take(request: HttpRequest, history: int) -> HttpResponse:
    """Take the rows in: all of them, or the good ones."""
    upload = _writable(request, history)
    try:
        history_import.take(
            upload,
            by=access.person(request),
            leave_bad=request.POST.get("rows") == "good",
            now=timezone.now(),
        )
    except ActError as error:
        messages.error(request, error.message)
        return redirect("import", upload.pk)
    history_import.settle(upload.source)
    return redirect("import", upload.pk)


@login_required
@require_POST
def undo(request: HttpRequest, history: int) -> HttpResponse:
    """Take a whole import back; its file waits to be taken in again."""
    upload = _writable(request, history)
    try:
        count = history_import.take_back(upload, by=access.person(request))
    except ActError as error:
        messages.error(request, error.message)
        return redirect("source", upload.source_id)
    history_import.settle(upload.source)
    messages.success(
        request,
        f"The import is undone: {count:,} readings are out of every calculation. The file is "
        "kept; take it in again, or throw it away.",
    )
    return redirect("source", upload.source_id)


@login_required
@require_POST
def discard(request: HttpRequest, history: int) -> HttpResponse:
    """Throw an upload away that was not taken in."""
    upload = _writable(request, history)
    try:
        history_import.throw_away(upload)
    except ActError as error:
        messages.error(request, error.message)
    else:
        messages.success(request, f"{upload.file_name} is thrown away.")
    return redirect("source", upload.source_id)


def _sent(request: HttpRequest) -> QueryDict | None:
    """What was typed, where something was sent; an empty form counts as well."""
    return request.POST if request.method == "POST" else None


def _next_step(history: HistoryImport) -> str:
    matching = history_import.matching_of(history)
    if matching is None:
        return "import-layout"
    return "import-check" if matching.is_settled else "import-columns"


def _rows_in(sheet: history_file.Sheet, matching: Matching) -> int:
    """How many rows can hold a reading: the names of the columns and blank lines are none."""
    return sum(1 for _ in data_rows(sheet, matching.header_row))


def _layout_of(matching: Matching | None) -> dict[str, Any]:
    if matching is None:
        return {}
    return {
        "encoding": matching.encoding,
        "delimiter": matching.delimiter,
        "header_row": str(matching.header_row),
    }


def _context(history: HistoryImport, **more: Any) -> dict[str, Any]:
    return {"history": history, "source": history.source, **more}


def _first_rows(history: HistoryImport, matching: Matching) -> dict[str, Any]:
    if "date" not in matching.columns or not matching.measures:
        return {"unsettled": ["Choose the date and one reading, and the first rows stand here."]}
    draft = history_import.draft(history, matching, now=timezone.now(), only=PREVIEW_ROWS)
    return _rows_context(draft, matching)


def _rows_context(draft: history_rows.Draft, matching: Matching) -> dict[str, Any]:
    """The first rows, each reading with its kind, for the table that shows them."""
    kinds = [(m, history_rows.NAMES.index(m.name), _quantity(m.name)) for m in matching.measures]
    wrong: dict[int, list[str]] = {}
    for error in draft.errors:
        wrong.setdefault(error.number, []).append(error.message)
    good = sorted(draft.good[:PREVIEW_ROWS], key=lambda row: row.number)
    rows = [
        {"number": row.number, "at": row.at, "cells": [(row.values[i], q) for _, i, q in kinds]}
        for row in good
    ]
    first_wrong = [{"number": n, "messages": m} for n, m in list(wrong.items())[:3]]
    return {
        "heads": [m.label for m, _, _ in kinds],
        "rows": rows,
        "wrong_rows": [] if rows and len(rows) == PREVIEW_ROWS else first_wrong,
    }


def _quantity(name: str) -> str:
    names = {"temperature_c": "temperature", "turbidity_ntu": "turbidity", "ph": ""}
    return names.get(name, "chlorine")


def _only_free(source: Source, matching: Matching) -> bool:
    """Chloramine of which only free chlorine would be known cannot be calculated with."""
    if source.disinfectant != Disinfectant.CHLORAMINE or "total_mg_l" in matching.columns:
        return False
    standing = source.readings.filter(withdrawn_at__isnull=True, total_mg_l__isnull=False)
    return "free_mg_l" in matching.columns and not standing.exists()
