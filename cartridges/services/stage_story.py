"""What a stage's estimate rests on, as rows to read and replace, and what sat in it before."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from cartridges.models import Estimate, OwnFigure, Stage
from hobbyhydro.households.units import in_words

from .placements import Stay
from .timeline import NotEnough, Timeline, day_of

ORIGIN_WORDS = {
    "package": "from the package",
    "own": "your own figure",
    "assumed": "assumed",
    "measured": "from your entries",
}
# Figures that are measured rather than put in place: which log form gives the keeper's own.
MEASURED_BY = {
    "turbidity_ntu": "source-test",
    "inlet_total_mg_l": "source-test",
    "correction": "bucket-test",
}
NAMES = {
    "turbidity_ntu": "Turbidity of the tap water",
    "correction": "Flow found over flow expected",
    "inlet_total_mg_l": "Total chlorine in the tap water",
}


@dataclass(frozen=True, slots=True)
class Assumption:
    """One figure behind an estimate: what, how much, from where, why it matters.

    ``replaceable`` where a keeper may put a number of their own; ``own`` is theirs where it
    stands; ``measured_by`` is the kind of log entry that would say better.
    """

    figure: str
    name: str
    value: str
    origin: str
    origin_words: str
    text: str
    replaceable: bool
    own: OwnFigure | None
    measured_by: str


@dataclass(frozen=True, slots=True)
class Past:
    """One cartridge's time in a stage."""

    stay: Stay
    end: dt.datetime | None
    days: int
    volume_l: float | None


def assumptions(estimate: Estimate, *, line: Timeline, units: str) -> list[Assumption]:
    """The figures of the last calculation, in its order; one without a value is left out."""
    spec = estimate.cartridge.spec_id
    found = []
    for row in estimate.details.get("assumptions") or []:
        figure = row["figure"]
        if row.get("value") is None:
            continue
        found.append(
            Assumption(
                figure=figure,
                name=name_of(figure),
                value=_value(row, units=units),
                origin=row["origin"],
                origin_words=ORIGIN_WORDS.get(row["origin"], row["origin"]),
                text=row["text"],
                replaceable=figure in OwnFigure.Figure.values,
                own=line.own_figures.get((spec, figure)),
                measured_by=MEASURED_BY.get(figure, ""),
            )
        )
    return found


def name_of(figure: str) -> str:
    """What a figure is called on the screen."""
    if figure in OwnFigure.Figure.values:
        return str(OwnFigure.Figure(figure).label)
    return NAMES.get(figure, figure.replace("_", " "))


def history(stage: Stage, *, line: Timeline) -> list[Past]:
    """Every cartridge that worked in this stage, the newest first, with the water it saw here."""
    try:
        segments = line.throughput.segments
    except NotEnough:
        segments = None
    found = []
    for stay in reversed([s for s in line.stays if s.stage.pk == stage.pk]):
        end = min(stay.end or line.now, line.now)
        volume_l = None
        if segments is not None:
            first, last = day_of(stay.start), day_of(end)
            volume_l = segments.between(start_day=first, end_day=max(first, last)).total_l
        found.append(Past(stay=stay, end=stay.end, days=(end - stay.start).days, volume_l=volume_l))
    return found


def _value(row: dict[str, Any], *, units: str) -> str:
    """The figure with its unit, in the reader's own."""
    value = float(row["value"])
    if row.get("quantity"):
        return in_words(value, quantity=row["quantity"], units=units)
    unit = row.get("unit") or ""
    shown = f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
    return f"{shown}\u00a0{unit}" if unit else shown
