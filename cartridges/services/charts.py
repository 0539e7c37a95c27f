"""Charts as plotly figures, with the table behind each: built here, drawn by static/js/charts.js.

Colours are names of the style sheet's variables; the script puts their values in when it draws, so
that one figure serves light and dark.
"""

from __future__ import annotations

import datetime as dt
import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.utils import timezone
from django.utils.formats import date_format

from cartridges.models import Train
from hobbyhydro.households.units import from_kept, unit_label

from . import charts_labels as labels

INK, SOFT, GRID = "var(--chart-ink)", "var(--chart-ink-soft)", "var(--chart-grid)"
AXIS, WATER, BAND = "var(--chart-axis)", "var(--chart-water)", "var(--chart-band)"
LIMIT, TEST, NOW, LABEL = (
    "var(--chart-limit)",
    "var(--chart-test)",
    "var(--chart-now)",
    "var(--chart-label)",
)
CLEAR = "rgba(0,0,0,0)"
SERIES = tuple(f"var(--chart-{k})" for k in range(1, 7))


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart: what it is called, what it shows in a sentence, the figure, and its table."""

    key: str
    title: str
    says: str
    figure: dict[str, Any]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @property
    def figure_id(self) -> str:
        return f"figure-{self.key}"

    @property
    def named_rows(self) -> list[list[tuple[str, str]]]:
        """Each cell with its column's name, which a phone shows beside it."""
        return [list(zip(self.head, row, strict=True)) for row in self.rows]


class Sheet:
    """A figure being drawn: plotly's own, with this site's axes, labels and lines."""

    def __init__(self, *, y_title: str, x_title: str = "", height: int = 300) -> None:
        self._go = importlib.import_module("plotly.graph_objects")
        self.figure = self._go.Figure()
        self._tops: list[labels.Top] = []
        self._keys: list[labels.Key] = []
        axis = {
            "gridcolor": GRID,
            "linecolor": AXIS,
            "tickcolor": AXIS,
            "zeroline": False,
            "fixedrange": True,
            "automargin": True,
        }
        self.figure.update_layout(
            template=None,
            height=height,
            margin={"l": 8, "r": 16, "t": 36, "b": 8},
            paper_bgcolor=CLEAR,
            plot_bgcolor=CLEAR,
            font={"color": INK, "size": 13},
            hoverlabel={
                "bgcolor": "var(--chart-surface)",
                "bordercolor": AXIS,
                "font": {"color": INK},
            },
            hovermode="x unified",
            showlegend=False,
            dragmode=False,
            xaxis={
                **axis,
                "title": {"text": x_title},
                "showgrid": False,
                "nticks": 5,
                "tickangle": 0,
                "tickformatstops": [{"dtickrange": ["M1", None], "value": "%b\n%Y"}],
            },
            yaxis={**axis, "title": {"text": y_title, "standoff": 8}, "rangemode": "tozero"},
        )

    def line(self, name: str, x: Sequence[Any], y: Sequence[Any], **look: Any) -> None:
        """A line; a None in ``y`` leaves a gap."""
        style = {"color": WATER, "width": 2.5, **look.pop("line", {})}
        self.figure.add_trace(
            self._go.Scatter(name=name, x=list(x), y=list(y), mode="lines", line=style, **look)
        )

    def band(self, name: str, x: Sequence[Any], low: Sequence[Any], high: Sequence[Any]) -> None:
        """The stretch between the low and the high tenth."""
        edge = {"color": CLEAR, "width": 0}
        self.line(f"{name}, low", x, low, line=edge, hoverinfo="skip")
        self.line(
            f"{name}, high", x, high, line=edge, fill="tonexty", fillcolor=BAND, hoverinfo="skip"
        )

    def points(
        self, name: str, x: Sequence[Any], y: Sequence[Any], *, symbol: str, text: Sequence[str]
    ) -> None:
        """Single measurements; an “-open” symbol for one below what the kit shows."""
        self.figure.add_trace(
            self._go.Scatter(
                name=name,
                x=list(x),
                y=list(y),
                mode="markers",
                text=list(text),
                hovertemplate="%{text}<extra></extra>",
                marker={
                    "symbol": symbol,
                    "size": 11,
                    "color": TEST,
                    "line": {"color": TEST, "width": 2},
                },
            )
        )

    def level(self, y: float, text: str, *, color: str = LIMIT) -> None:
        """A horizontal line, named in the key above the plot."""
        self.figure.add_shape(
            type="line",
            xref="paper",
            x0=0,
            x1=1,
            y0=y,
            y1=y,
            line={"color": color, "width": 2, "dash": "dash"},
        )
        self.key(text, color=color, dash="dash", width=2)

    def key(self, text: str, *, color: str, dash: str = "solid", width: float = 2.5) -> None:
        """A line's name above the plot, behind a sample of the line."""
        self._keys.append(labels.Key(text, color, dash, width))

    def moment(self, x: str, text: str, *, color: str = NOW) -> None:
        """A vertical line with its label on top."""
        self.figure.add_shape(
            type="line",
            yref="paper",
            x0=x,
            x1=x,
            y0=0,
            y1=1,
            line={"color": color, "width": 1.5, "dash": "dot"},
        )
        self._tops.append(labels.Top(x, text, color))

    def stretch(self, start: str, end: str, text: str) -> None:
        """A shaded stretch of time with its label on top."""
        self.figure.add_shape(
            type="rect",
            yref="paper",
            x0=start,
            x1=end,
            y0=0,
            y1=1,
            line={"width": 0},
            fillcolor=GRID,
            layer="below",
        )
        self._tops.append(labels.Top(start, text, SOFT))

    def note(self, x: Any, y: Any, text: str, *, color: str = INK, **place: Any) -> None:
        """A label beside the line that it names, instead of a legend."""
        where = {"xanchor": "left", "yanchor": "middle", **place}
        self.figure.add_annotation(
            x=x, y=y, text=text, showarrow=False, font={"color": color, "size": 12}, **where
        )

    def json(self) -> dict[str, Any]:
        """What the script is given. The labels take their places here, once all is drawn."""
        span = labels.moments_of(self.figure.to_plotly_json())
        if span is not None:
            axis = labels.days_axis(*span)
            self.figure.update_xaxes(**axis)
            span = labels.moments_of(self.figure.to_plotly_json()) or span
        rows = self._put_tops(span) if span is not None else 0
        rows += self._put_keys(rows)
        self.figure.update_layout(margin={"t": 12 + labels.ROW_PX * max(rows, 1)})
        found: dict[str, Any] = self.figure.to_plotly_json()
        found["layout"].pop("template", None)
        return found

    def _put_tops(self, span: tuple[dt.datetime, dt.datetime]) -> int:
        tops, self._tops = self._tops, []
        places = labels.place_tops(tops, first=span[0], last=span[1])
        for top, place in zip(tops, places, strict=True):
            self._over(top.text, top.color, place, x=top.x, xref="x")
        return 1 + max((p.row for p in places), default=-1)

    def _put_keys(self, below: int) -> int:
        keys, self._keys = self._keys, []
        places = labels.place_keys(keys)
        for key, place in zip(keys, places, strict=True):
            at = labels.Placed(below + place.row, place.left_px + labels.SAMPLE_PX + 6)
            self._over(key.text, key.color, at, x=0, xref="paper")
            level = labels.ROW_PX * (at.row + 0.5) + 2
            self.figure.add_shape(
                type="line",
                xref="paper",
                yref="paper",
                xsizemode="pixel",
                ysizemode="pixel",
                xanchor=0,
                yanchor=1,
                x0=place.left_px,
                x1=place.left_px + labels.SAMPLE_PX,
                y0=level,
                y1=level,
                line={"color": key.color, "dash": key.dash, "width": key.width},
            )
        return 1 + max((p.row for p in places), default=-1)

    def _over(self, text: str, color: str, place: labels.Placed, **at: Any) -> None:
        self.figure.add_annotation(
            yref="paper",
            y=1,
            text=text,
            showarrow=False,
            xanchor="left",
            yanchor="bottom",
            xshift=place.left_px,
            yshift=labels.ROW_PX * place.row,
            font={"color": color, "size": 12},
            **at,
        )


def clock(moment: dt.datetime) -> str:
    """A moment on a chart's time axis, in the household's time."""
    return timezone.localtime(moment).strftime("%Y-%m-%d %H:%M:%S")


def day_words(moment: dt.datetime) -> str:
    """A moment in a chart's table."""
    return str(date_format(timezone.localtime(moment), "j M Y"))


def shown(value: float, *, quantity: str, units: str) -> float:
    """A kept value in the reader's unit, with the digits that a chart needs."""
    return float(f"{from_kept(value, quantity=quantity, units=units):.5g}")


def with_unit(title: str, quantity: str, units: str) -> str:
    """“Water through it (gal)”: an axis never stands without its unit."""
    return f"{title} ({unit_label(quantity, units=units)})"


def train_charts(train: Train, *, units: str, now: dt.datetime | None = None) -> list[Chart]:
    """The charts of a train's page: its flow, and the outlet of each of its carbons."""
    from . import charts_train

    return charts_train.charts(train, units=units, now=now or timezone.now())
