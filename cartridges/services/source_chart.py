"""The chart of a tap's chlorine: its tests, the US limit, and the utility's switch periods."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pandas as pd
from django.db.models import Q
from django.utils import timezone

from cartridges.models import Source, SourceReading
from cartridges.physics.source import MRDL_MG_L

from .charts import SERIES, Sheet

MOST_POINTS = 2_000
MOST_BUCKETS = 600
MOST_MARKERS = 200
BUCKETS = (("day", "D", 1.0), ("week", "W-SUN", 7.0), ("month", "MS", 30.4375))
KINDS = (
    ("total_mg_l", "total", SERIES[0], "circle", "solid"),
    ("free_mg_l", "free", SERIES[1], "diamond", "dot"),
)


@dataclass(frozen=True, slots=True)
class SourceChart:
    """The figure, how many readings are in it, and by what they were gathered ("" for not)."""

    figure: dict[str, Any]
    readings: int
    gathered_by: str


def source_chart(source: Source, *, now: dt.datetime) -> SourceChart | None:
    """The chart of every standing test of chlorine up to now; None where there is none.

    Typical figures are no tests and are left out.

    Above 2,000 readings they are gathered by day, week or month, whichever first gives at most
    600 of them: lowest, mean and highest.
    """
    frame = _frame(source, now)
    if frame.empty:
        return None
    bucket = _bucket(frame) if len(frame) > MOST_POINTS else None
    highest = float(frame[["total_mg_l", "free_mg_l"]].max().max())
    sheet = Sheet(y_title="Chlorine (mg/L as Cl₂)", height=340)
    _switches(sheet, source)
    for column, name, colour, symbol, dash in KINDS:
        values = frame.set_index("at")[column].dropna()
        if values.empty:
            continue
        if bucket is None:
            _points(sheet, values, name, colour, symbol, dash)
        else:
            gathered = values.resample(bucket[1]).agg(["min", "mean", "max"]).dropna()
            _gathered(sheet, gathered, name, colour, dash, bucket[0])
        sheet.key(name, color=colour, dash=dash)
    sheet.level(MRDL_MG_L, f"US limit {MRDL_MG_L:.1f} mg/L, as a yearly average")
    sheet.figure.update_yaxes(range=[0, 1.3 * max(MRDL_MG_L, highest)])
    sheet.figure.update_layout(hovermode="closest")
    return SourceChart(sheet.json(), len(frame), bucket[0] if bucket else "")


def _frame(source: Source, now: dt.datetime) -> pd.DataFrame:
    """Readings of chlorine in time, on the household's clock."""
    columns = ["at", "free_mg_l", "total_mg_l"]
    rows = (
        source.readings.filter(withdrawn_at__isnull=True, at__lte=now)
        .filter(Q(free_mg_l__isnull=False) | Q(total_mg_l__isnull=False))
        .exclude(origin=SourceReading.Origin.TYPICAL)
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


def _points(
    sheet: Sheet, values: pd.Series[float], name: str, colour: str, symbol: str, dash: str
) -> None:
    sheet.figure.add_scatter(
        name=f"{name} chlorine",
        x=[_clock(at) for at in values.index],
        y=[float(v) for v in values],
        line={"color": colour, "width": 1.5, "dash": dash},
        mode="lines+markers" if len(values) <= MOST_MARKERS else "lines",
        marker={"color": colour, "symbol": symbol, "size": 7},
        hovertemplate=f"%{{x|%-d %b %Y}}<br>{name} %{{y:.2f}} mg/L<extra></extra>",
    )


def _gathered(
    sheet: Sheet, rows: pd.DataFrame, name: str, colour: str, dash: str, bucket: str
) -> None:
    """Lowest to highest as a band, and the mean as a line through it."""
    x = [_clock(at) for at in rows.index]
    sheet.band(f"{name} chlorine", x, rows["min"].tolist(), rows["max"].tolist())
    sheet.line(
        f"{name} chlorine, mean",
        x,
        rows["mean"].tolist(),
        line={"color": colour, "width": 2, "dash": dash},
        customdata=rows[["min", "max"]].to_numpy().tolist(),
        hovertemplate=(
            f"{bucket} of %{{x|%-d %b %Y}}<br>{name}: mean %{{y:.2f}}, "
            "%{customdata[0]:.2f} to %{customdata[1]:.2f} mg/L<extra></extra>"
        ),
    )


AHEAD = dt.timedelta(days=30)
"""How far a switch period without an end is drawn past today."""


def _switches(sheet: Sheet, source: Source) -> None:
    zone = source.household.zone
    for switch in source.switches.filter(withdrawn_at__isnull=True).order_by("at"):
        start = switch.at.astimezone(zone)
        end = min(switch.until, max(switch.at, timezone.now()) + AHEAD).astimezone(zone)
        sheet.stretch(_clock(start), _clock(end), switch.get_to_display().lower())


def _clock(at: dt.datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%S")
