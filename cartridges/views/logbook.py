"""The logbook: all that was written down, to read, to filter, to print and to take along."""

from __future__ import annotations

import datetime as dt
from typing import Any, cast

from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET

from cartridges.forms.logbook import LogbookFilter
from cartridges.models import Fact, Train
from cartridges.services import logbook as book
from cartridges.services.logbook_csv import as_csv
from hobbyhydro.households import access
from hobbyhydro.households.models import HouseholdEvent
from hobbyhydro.households.templatetags.quantities import on_day

ON_A_PAGE = 50
ON_PAPER = 500


@login_required
@require_GET
def logbook(request: HttpRequest, train: int) -> HttpResponse:
    """All of it, newest first; withdrawn facts on request, struck through."""
    found = _train(request, train)
    form = _filter(request, found)
    asked = form.cleaned_data if form.is_valid() else {}
    for_paper = bool(asked.get("paper"))
    # Entries has what a paginator uses (count and slices), not all that its type asks for.
    book_pages: Paginator[book.Line] = Paginator(
        cast(Any, _entries(found, asked, acts_whole=True)), ON_PAPER if for_paper else ON_A_PAGE
    )
    page = book_pages.get_page(request.GET.get("page"))
    lines = list(page.object_list)
    parts = book.parts_of(lines)
    units = access.person(request).units
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "train": found,
        "form": form,
        "page": page,
        "rows": [_row(line, units, parts) for line in lines],
        **_taken_back(request, found, asked, book_pages.count),
        "shown": _shown(asked),
        "for_paper": for_paper,
        "query": query.urlencode(),
    }
    return render(request, "cartridges/log/logbook.html", context)


@login_required
@require_GET
def logbook_csv(request: HttpRequest, train: int) -> HttpResponse:
    """The whole of what the filter lets through, as a file for a spreadsheet."""
    found = _train(request, train)
    form = _filter(request, found)
    if form.is_bound and not form.is_valid():
        query = request.GET.urlencode()  # the page says what is wrong with the filter
        return redirect(f"{reverse('logbook', args=[found.pk])}?{query}")
    asked = form.cleaned_data if form.is_bound else {}
    text = as_csv(_entries(found, asked), units=access.person(request).units)
    day = timezone.localdate()
    name = f"logbook-{slugify(found.name) or found.pk}-{day:%Y-%m-%d}.csv"
    return HttpResponse(
        text,
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _train(request: HttpRequest, pk: int) -> Train:
    return access.get(request, Train.objects.select_related("source", "household"), pk)


def _filter(request: HttpRequest, train: Train) -> LogbookFilter:
    return LogbookFilter(request.GET or None, people=book.people(train))


def _taken_back(
    request: HttpRequest, train: Train, asked: dict[str, Any], shown: int
) -> dict[str, Any]:
    """How many entries were undone or corrected, and the address that shows or hides them."""
    query = request.GET.copy()
    query.pop("page", None)
    if asked.get("withdrawn"):
        del query["withdrawn"]
        without = _entries(train, {**asked, "withdrawn": False}, acts_whole=True).count()
        return {"taken_back": shown - without, "taken_back_query": query.urlencode()}
    query["withdrawn"] = "on"
    every = _entries(train, {**asked, "withdrawn": True}, acts_whole=True).count()
    return {"taken_back": every - shown, "taken_back_query": query.urlencode()}


def _entries(train: Train, asked: dict[str, Any], *, acts_whole: bool = False) -> book.Entries:
    """What the filter lets through."""
    return book.entries(
        train,
        kinds=[asked["kind"]] if asked.get("kind") else None,
        include_withdrawn=bool(asked.get("withdrawn")),
        by=asked.get("by"),
        since=_start_of(asked.get("since")),
        until=_start_of(_day_after(asked.get("until"))),
        from_files=not asked.get("by_hand"),
        acts_whole=acts_whole,
    )


def _row(line: book.Line, units: str, parts: dict[tuple[str, int], list[Fact]]) -> dict[str, Any]:
    """One line as the page shows it; ``fact`` is None for an event of the household, ``parts``
    are the facts of an act of several."""
    row = {"at": line.at, "day": timezone.localtime(line.at).date(), "name": book.name_of(line)}
    if isinstance(line, HouseholdEvent):
        return {**row, "fact": None, "words": line.says, "who": line.by}
    of_one_act = parts.get((line.KIND, line.pk), [])
    return {
        **row,
        "fact": line,
        "words": line.summary(units=units),
        "parts": [{"fact": part, "words": part.summary(units=units)} for part in of_one_act],
        "who": line.logged_by,
    }


def _shown(asked: dict[str, Any]) -> list[str]:
    """What the filter lets through, in words; nothing where it lets everything through."""
    words = []
    if asked.get("kind"):
        words.append(book.NAMES[asked["kind"]].lower())
    if asked.get("by"):
        words.append(f"logged by {asked['by']}")
    if asked.get("since"):
        words.append(f"from {on_day(asked['since'])}")
    if asked.get("until"):
        words.append(f"to {on_day(asked['until'])}")
    if asked.get("by_hand"):
        words.append("without what came from a file")
    if asked.get("withdrawn"):
        words.append("with what was corrected or undone")
    return words


def _day_after(day: dt.date | None) -> dt.date | None:
    return None if day is None else day + dt.timedelta(days=1)


def _start_of(day: dt.date | None) -> dt.datetime | None:
    """The first moment of a day on the household's calendar."""
    if day is None:
        return None
    return dt.datetime.combine(day, dt.time.min, tzinfo=timezone.get_current_timezone())
