"""The chart of a tap's chlorine: its tests, the US limit, and the utility's switch periods.

A plotly figure as plain data. Colours are the names of CSS variables; the script that draws the
figure puts the theme's colours in their place.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pandas as pd
from django.db.models import Q

from cartridges.models import Source
from cartridges.physics.source import MRDL_MG_L

MOST_POINTS = 2_000
MOST_BUCKETS = 600
BUCKETS = (("day", "D", 1.0), ("week", "W-SUN", 7.0), ("month", "MS", 30.4375))
SERIES = (
    ("total_mg_l", "total", "var(--chart-1)", "circle"),
    ("free_mg_l", "free", "var(--chart-2)", "diamond"),
)


@dataclass(frozen=True, slots=True)
class SourceChart:
    """The figure, how many readings are in it, and by what they were gathered ("" for not)."""

    figure: dict[str, Any]
    readings: int
    gathered_by: str


def source_chart(source: Source, *, now: dt.datetime) -> SourceChart | None:
    """The chart of every standing reading of chlorine up to now; None where there is none.

    Above 2,000 readings they are gathered by day, week or month, whichever first gives at most
    600 of them: lowest, mean and highest.
    """
    frame = _frame(source, now)
    if frame.empty:
        return None
    bucket = _bucket(frame) if len(frame) > MOST_POINTS else None
    traces: list[dict[str, Any]] = []
    ends: list[tuple[str, float, str, str]] = []
    for column, name, colour, symbol in SERIES:
        values = frame.set_index("at")[column].dropna()
        if values.empty:
            continue
        if bucket is None:
            traces.append(_points(values, name, colour, symbol))
            last = values
        else:
            gathered = values.resample(bucket[1]).agg(["min", "mean", "max"]).dropna()
            traces += _band(gathered, name, colour, bucket[0])
            last = gathered["mean"]
        ends.append((_iso(last.index[-1]), float(last.iloc[-1]), name, colour))
    highest = float(frame[["total_mg_l", "free_mg_l"]].max().max())
    shapes, notes = _switches(source)
    layout = {
        "xaxis": {"title": {"text": "Date"}, "type": "date"},
        "yaxis": {
            "title": {"text": "Chlorine (mg/L as Cl₂)"},
            "range": [0, max(1.12 * MRDL_MG_L, 1.1 * highest)],
        },
        "showlegend": False,
        "hovermode": "closest",
        "height": 380,
        "margin": {"l": 56, "r": 56, "t": 24, "b": 48},
        "shapes": [_limit_line(), *shapes],
        "annotations": [_limit_words(), *notes, *_end_words(ends)],
    }
    return SourceChart({"data": traces, "layout": layout}, len(frame), bucket[0] if bucket else "")


def _frame(source: Source, now: dt.datetime) -> pd.DataFrame:
    """Readings of chlorine in time, on the household's clock."""
    columns = ["at", "free_mg_l", "total_mg_l"]
    rows = (
        source.readings.filter(withdrawn_at__isnull=True, at__lte=now)
        .filter(Q(free_mg_l__isnull=False) | Q(total_mg_l__isnull=False))
        .order_by("at", "pk")
        .values_list(*columns)
    )
    frame = pd.DataFrame.from_records(list(rows), columns=columns)
    frame["at"] = pd.to_datetime(frame["at"], utc=True).dt.tz_convert(source.household.zone)
    frame["at"] = frame["at"].dt.tz_localize(None)
    numbers = ["free_mg_l", "total_mg_l"]
    frame[numbers] = frame[numbers].astype(float)
    return frame


def _bucket(frame: pd.DataFrame) -> tuple[str, str]:
    span = (frame["at"].iloc[-1] - frame["at"].iloc[0]) / pd.Timedelta(days=1)
    fitting = (b for b in BUCKETS if span / b[2] <= MOST_BUCKETS)
    name, rule, _ = next(fitting, BUCKETS[-1])
    return name, rule


def _points(values: pd.Series[float], name: str, colour: str, symbol: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines+markers" if len(values) <= 400 else "lines",
        "name": f"{name} chlorine",
        "x": [_iso(at) for at in values.index],
        "y": [float(v) for v in values],
        "line": {"color": colour, "width": 1.5},
        "marker": {"color": colour, "symbol": symbol, "size": 6},
        "hovertemplate": f"%{{x|%-d %b %Y}}<br>{name} %{{y:.2f}} mg/L<extra></extra>",
    }


def _band(gathered: pd.DataFrame, name: str, colour: str, bucket: str) -> list[dict[str, Any]]:
    """Lowest to highest as a band, and the mean as a line through it."""
    x = [_iso(at) for at in gathered.index]
    edge = {"type": "scatter", "mode": "lines", "line": {"color": colour, "width": 0}, "x": x}
    low = {**edge, "y": gathered["min"].tolist(), "hoverinfo": "skip", "name": f"{name}, lowest"}
    high = {
        **edge,
        "y": gathered["max"].tolist(),
        "hoverinfo": "skip",
        "name": f"{name}, highest",
        "fill": "tonexty",
        "fillcolor": "var(--chart-band)",
    }
    mean = {
        **edge,
        "y": gathered["mean"].tolist(),
        "name": f"{name} chlorine, mean",
        "line": {"color": colour, "width": 2},
        "customdata": gathered[["min", "max"]].to_numpy().tolist(),
        "hovertemplate": (
            f"{bucket} of %{{x|%-d %b %Y}}<br>{name}: mean %{{y:.2f}}, "
            "%{customdata[0]:.2f} to %{customdata[1]:.2f} mg/L<extra></extra>"
        ),
    }
    return [low, high, mean]


def _limit_line() -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": MRDL_MG_L,
        "y1": MRDL_MG_L,
        "line": {"color": "var(--chart-limit)", "width": 1.5, "dash": "dash"},
    }


def _limit_words() -> dict[str, Any]:
    return {
        "xref": "paper",
        "x": 0.01,
        "xanchor": "left",
        "y": MRDL_MG_L,
        "yanchor": "top",
        "text": f"US limit {MRDL_MG_L:.1f} mg/L, as a yearly average",
        "showarrow": False,
        "font": {"color": "var(--chart-limit)"},
    }


def _end_words(ends: list[tuple[str, float, str, str]]) -> list[dict[str, Any]]:
    """Each line's name at its end; the higher one's a little up where they come close."""
    top = max((value for _, value, _, _ in ends), default=0.0)
    return [
        {
            "x": at,
            "y": value,
            "xanchor": "left",
            "yanchor": "bottom" if value == top and len(ends) > 1 else "middle",
            "xshift": 6,
            "text": name,
            "showarrow": False,
            "font": {"color": colour},
        }
        for at, value, name, colour in ends
    ]


def _switches(source: Source) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A shaded stretch, and its name, for each switch period."""
    zone = source.household.zone
    shapes, notes = [], []
    for switch in source.switches.filter(withdrawn_at__isnull=True).order_by("at"):
        start, end = switch.at.astimezone(zone), switch.until.astimezone(zone)
        shapes.append(
            {
                "type": "rect",
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "x0": _iso(start),
                "x1": _iso(end),
                "fillcolor": "var(--chart-label)",
                "opacity": 0.14,
                "line": {"width": 0},
                "layer": "below",
            }
        )
        notes.append(
            {
                "x": _iso(start + (end - start) / 2),
                "yref": "paper",
                "y": 1,
                "yanchor": "bottom",
                "text": switch.get_to_display().lower(),
                "showarrow": False,
                "font": {"color": "var(--chart-label)"},
            }
        )
    return shapes, notes


def _iso(at: Any) -> str:
    return str(at.strftime("%Y-%m-%dT%H:%M:%S"))
