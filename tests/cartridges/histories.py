"""Histories for the import tests, and the steps a keeper takes with them."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from pathlib import Path

from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone

from cartridges.models import HistoryImport, Source
from cartridges.services.history_columns import Matching, guess
from cartridges.services.history_file import open_sheet
from cartridges.services.history_rows import Draft, Values, read

REAL = Path(__file__).parent.parent / "data" / "real" / "tap_chlorine_site_a.csv"
ZONE = zoneinfo.ZoneInfo("America/Chicago")
NOW = dt.datetime(2026, 6, 1, 18, 0, tzinfo=dt.UTC)


def drafted(
    content: bytes | str,
    *,
    now: dt.datetime = NOW,
    kept: dict[dt.datetime, list[Values]] | None = None,
    **changes: object,
) -> Draft:
    """A file read by its guessed matching, with ``changes`` to it."""
    raw = content.encode() if isinstance(content, str) else content
    sheet = open_sheet(raw)
    matching = guess(sheet)
    for name, value in changes.items():
        setattr(matching, name, value)
    before = (lambda first, last: kept) if kept else None
    return read(sheet, matching, zone=ZONE, now=now, kept=before)


def guessed(content: bytes | str) -> Matching:
    return guess(open_sheet(content.encode() if isinstance(content, str) else content))


def messages_of(draft: Draft) -> list[tuple[int, str]]:
    return [(error.number, error.message) for error in draft.errors]


def upload(client: Client, source: Source, content: bytes, name: str = "tap.csv") -> HttpResponse:
    file = SimpleUploadedFile(name, content, content_type="text/csv")
    return client.post(f"/water/{source.pk}/import/", {"file": file})


def settle_columns(
    client: Client, history: HistoryImport, *, origin: str = "utility", **changes: str
) -> HttpResponse:
    """Accept the columns as they are filled in, with ``changes``, and say who made the tests."""
    page = client.get(f"/imports/{history.pk}/columns/")
    filled = {k: v for k, v in page.context["form"].initial.items() if v}
    return client.post(f"/imports/{history.pk}/columns/", {**filled, "origin": origin, **changes})


def bring_in(client: Client, source: Source, content: bytes, *, rows: str = "all") -> HistoryImport:
    """The whole way, from the file to its readings."""
    upload(client, source, content)
    history = source.imports.latest("pk")
    settle_columns(client, history)
    client.post(f"/imports/{history.pk}/take/", {"rows": rows})
    history.refresh_from_db()
    return history


def standing(source: Source) -> int:
    return source.readings.filter(withdrawn_at__isnull=True).count()


def noon(year: int, month: int, day: int, zone: zoneinfo.ZoneInfo = ZONE) -> dt.datetime:
    return dt.datetime(year, month, day, 12, tzinfo=zone).astimezone(dt.UTC)


def many_rows(count: int) -> bytes:
    """``count`` hourly rows up to yesterday; figures vary so that nothing can be reused."""
    first = timezone.now().replace(minute=0, second=0, microsecond=0) - dt.timedelta(
        hours=count + 24
    )
    lines = ["sampled at,free chlorine (mg/L),total chlorine (mg/L),turbidity (NTU)"]
    for k in range(count):
        at = first + dt.timedelta(hours=k)
        free = 0.2 + (k * 7919 % 1000) / 2000
        lines.append(f"{at:%Y-%m-%d %H:%M},{free:.4f},{free + 1.5:.4f},{0.1 + k % 97 / 50:.2f}")
    return "\n".join(lines).encode()
