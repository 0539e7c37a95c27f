"""The logbook: every fact of a train and its source, to read, to filter and to print."""

from __future__ import annotations

import datetime as dt
from typing import Any, cast

from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from cartridges.forms.logbook import LogbookFilter
from cartridges.models import Fact, Train
from cartridges.services import logbook as book
from hobbyhydro.households import access
from hobbyhydro.households.templatetags.quantities import on_day

ON_A_PAGE = 50
ON_PAPER = 500


@login_required
@require_GET
def logbook(request: HttpRequest, train: int) -> HttpResponse:
    """All facts, newest first; withdrawn ones on request, struck through."""
    found = access.get(request, Train.objects.select_related("source", "household"), train)
    form = LogbookFilter(request.GET or None, people=book.people(found))
    asked = form.cleaned_data if form.is_valid() else {}
    entries = book.entries(
        found,
        kinds=[asked["kind"]] if asked.get("kind") else None,
        include_withdrawn=bool(asked.get("withdrawn")),
        by=asked.get("by"),
        since=_start_of(asked.get("since")),
        until=_start_of(_day_after(asked.get("until"))),
        from_files=not asked.get("by_hand"),
    )
    for_paper = bool(asked.get("paper"))
    # Entries has what a paginator uses (count and slices), not all that its type asks for.
    book_pages: Paginator[Fact] = Paginator(
        cast(Any, entries), ON_PAPER if for_paper else ON_A_PAGE
    )
    page = book_pages.get_page(request.GET.get("page"))
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "train": found,
        "form": form,
        "page": page,
        "rows": [_row(fact, access.person(request).units) for fact in page.object_list],
        "shown": _shown(asked),
        "for_paper": for_paper,
        "query": query.urlencode(),
    }
    return render(request, "cartridges/log/logbook.html", context)


def _row(fact: Fact, units: str) -> dict[str, Any]:
    return {"fact": fact, "name": book.NAMES[fact.KIND], "words": fact.summary(units=units)}


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
