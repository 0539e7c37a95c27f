"""Where a chart's labels stand: above the plot in rows, so that none lies on a line or another.

Everything is laid out for the narrowest screen that a chart is made for; on a wider one the same
labels only stand further apart.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

PLOT_PX = 236.0
"""The width of a plot on a phone of 390 px, less its axis."""
LETTER_PX = 6.7
"""What a letter of a label takes at 12 px, on average and rounded up."""
ROW_PX = 18.0
GAP_PX = 10.0
SAMPLE_PX = 22.0
SHORTEST_DAYS = 5.0
"""A time axis shorter than this is ticked by days; one shorter than a day is made a day wide."""
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Top:
    """A label that stands over a moment of the time axis."""

    x: str
    text: str
    color: str


@dataclass(frozen=True, slots=True)
class Key:
    """A line's name, with a sample of the line before it."""

    text: str
    color: str
    dash: str
    width: float


@dataclass(frozen=True, slots=True)
class Placed:
    """A label's row, counted upwards from the plot, and its left edge in px."""

    row: int
    left_px: float


def width_px(text: str) -> float:
    return LETTER_PX * len(text)


def place_tops(tops: Sequence[Top], *, first: dt.datetime, last: dt.datetime) -> list[Placed]:
    """Each label beside its moment: to the right of it where that fits, else to its left, in the
    lowest row where it touches no other."""
    rows: list[list[tuple[float, float]]] = []
    found = []
    span = max((last - first).total_seconds(), 1.0)
    for top in tops:
        at = PLOT_PX * (dt.datetime.fromisoformat(top.x) - first).total_seconds() / span
        wide = width_px(top.text)
        left = at if at + wide <= PLOT_PX + GAP_PX else at - wide
        taken = (left - GAP_PX, left + wide + GAP_PX)
        row = next(
            (k for k, spans in enumerate(rows) if all(_apart(taken, other) for other in spans)),
            len(rows),
        )
        if row == len(rows):
            rows.append([])
        rows[row].append((left, left + wide))
        found.append(Placed(row, left - at))
    return found


def place_keys(keys: Sequence[Key]) -> list[Placed]:
    """Side by side from the left, a new row where the next would not fit."""
    row, left, found = 0, 0.0, []
    for key in keys:
        wide = SAMPLE_PX + 6 + width_px(key.text)
        if left and left + wide > PLOT_PX + 40:
            row, left = row + 1, 0.0
        found.append(Placed(row, left))
        left += wide + GAP_PX
    return found


def _apart(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return one[1] <= other[0] or other[1] <= one[0]


def moments_of(figure: dict[str, Any]) -> tuple[dt.datetime, dt.datetime] | None:
    """The first and last moment that a figure's time axis shows; None where it has none."""
    given = figure["layout"].get("xaxis", {}).get("range")
    shapes = figure["layout"].get("shapes") or ()
    drawn: Iterable[Any] = given or [
        *(x for trace in figure["data"] for x in trace.get("x") or ()),
        *(s[k] for s in shapes for k in ("x0", "x1") if s.get("xref") != "paper"),
    ]
    found = [m for x in drawn if (m := _moment(x)) is not None]
    return (min(found), max(found)) if found else None


def _moment(x: Any) -> dt.datetime | None:
    if not isinstance(x, str):
        return None
    try:
        found = dt.datetime.fromisoformat(x)
    except ValueError:
        return None
    return found.replace(tzinfo=None)


def days_axis(first: dt.datetime, last: dt.datetime) -> dict[str, Any]:
    """How a short time axis is ticked, and widened to a day; {} for a long one."""
    span = last - first
    if span > dt.timedelta(days=SHORTEST_DAYS):
        return {}
    if span < dt.timedelta(days=1):
        middle = first + span / 2
        first, last = middle - dt.timedelta(hours=12), middle + dt.timedelta(hours=12)
    else:
        first, last = first - span * 0.03, last + span * 0.03
    return {
        "range": [m.strftime("%Y-%m-%d %H:%M:%S") for m in (first, last)],
        "dtick": DAY_MS,
        "tick0": first.strftime("%Y-%m-%d"),
        "tickformat": "%-d %b\n%Y",
    }
