"""Time zones as a person looks for them: by part of the world, each place once."""

from __future__ import annotations

import zoneinfo
from functools import cache
from importlib import resources

REGIONS = (
    "Africa", "America", "Antarctica", "Arctic", "Asia", "Atlantic", "Australia", "Europe",
    "Indian", "Pacific",
)  # fmt: skip
UTC = "UTC"


@cache
def places() -> tuple[str, ...]:
    """The zones of the tz database's own table of places (zone.tab), without its aliases."""
    table = resources.files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")
    rows = (line.split("\t") for line in table.splitlines() if line and not line.startswith("#"))
    named = {row[2].strip() for row in rows if len(row) > 2}
    return tuple(sorted(named & zoneinfo.available_timezones()))


def grouped(*, current: str = "") -> list[tuple[str, list[tuple[str, str]]]]:
    """Choices for a select, by region, with what each is called within it.

    ``current`` is a zone that is in use and stays on offer, whatever the table says of it.
    """
    found: dict[str, list[tuple[str, str]]] = {region: [] for region in REGIONS}
    for name in places():
        region, _, place = name.partition("/")
        found[region].append((name, _called(place)))
    others = [(UTC, "UTC, the same all year")]
    if current and current != UTC and current not in places():
        others.append((current, _called(current)))
    return [*((region, rows) for region, rows in found.items() if rows), ("Elsewhere", others)]


def _called(place: str) -> str:
    """“Indiana, Knox” for “Indiana/Knox”, “New York” for “New_York”."""
    return place.replace("_", " ").replace("/", ", ")
