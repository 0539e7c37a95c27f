"""The charts of a train's page: the flow over its life, and the outlet behind each carbon."""

from __future__ import annotations

import datetime as dt
from itertools import cycle

import numpy as np

from cartridges.models import Estimate, Train
from cartridges.physics.segments import METERED, RESTRICTOR, SHUT, Segments
from hobbyhydro.households.units import in_words

from .charts import NOW, SERIES, Chart, Sheet, clock, day_words, shown, with_unit
from .timeline import NotEnough, flow_history, moment_of

MOST_POINTS = 400
HEADROOM = 1.1  # the outlets' axis ends this far above the highest value that is of interest
DASHES = ("solid", "dashdot", "longdash")  # told apart without colour; “dash” is the limit's
ORIGIN_WORDS = {METERED: "metered", RESTRICTOR: "by the restrictor", SHUT: "water off"}


def charts(train: Train, *, units: str, now: dt.datetime) -> list[Chart]:
    """Those that there is something to show for, the flow first."""
    found = (flow(train, units=units, now=now), outlets(train, units=units, now=now))
    return [c for c in found if c is not None]


def thinned(segments: Segments, *, most: int = MOST_POINTS) -> Segments:
    """The same water in at most about ``most`` stretches of one origin each.

    Neighbours of one origin are put together, their flow the mean by time, so that every stretch
    passes the litres that its parts passed. Shut stretches stay as they are.
    """
    if len(segments) <= most:
        return segments
    span = (segments.end_day[-1] - segments.start_day[0]) / most
    slot = ((segments.start_day - segments.start_day[0]) / span).astype(int)
    new = np.ones(len(segments), dtype=bool)
    new[1:] = (np.diff(slot) > 0) | (np.diff(segments.origin) != 0)
    new[1:] |= segments.start_day[1:] > segments.end_day[:-1]
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(segments)) - 1
    start, end = segments.start_day[first], segments.end_day[last]
    litres = np.add.reduceat(segments.volume_l, first)
    days = np.add.reduceat(segments.duration_days, first)
    return Segments(
        start_day=start,
        end_day=end,
        flow_l_day=litres / days,
        origin=segments.origin[first],
        rel_sd=np.maximum.reduceat(segments.rel_sd, first),
    )


def flow(train: Train, *, units: str, now: dt.datetime) -> Chart | None:
    """Flow over the train's life: metered, by the restrictor, or off, with what was done to it."""
    try:
        segments = thinned(flow_history(train, now=now).segments)
    except NotEnough:
        return None
    if len(segments) == 0:
        return None
    sheet = Sheet(y_title=with_unit("Flow", "flow", units))
    for origin, dash in ((METERED, "solid"), (RESTRICTOR, "dot")):
        x, y = _steps(segments, origin, units)
        if x:
            sheet.line(ORIGIN_WORDS[origin], x, y, line={"dash": dash}, connectgaps=False)
    for row in train.shutoffs.standing().filter(at__lte=now).in_order():
        sheet.stretch(clock(row.at), clock(row.until or now), "off")
    for fitting in train.restrictors.standing().filter(at__lte=now).in_order():
        rated = in_words(fitting.rated_flow_l_day, quantity="flow", units=units, decimals=0)
        sheet.moment(clock(fitting.at), f"rated {rated}")
    tests = list(train.flow_tests.standing().filter(at__lte=now).in_order())
    if tests:
        sheet.points(
            "bucket tests",
            [clock(t.at) for t in tests],
            [shown(t.flow_l_day, quantity="flow", units=units) for t in tests],
            symbol="diamond",
            text=[
                f"bucket test {in_words(t.flow_l_day, quantity='flow', units=units)}" for t in tests
            ],
        )
    return Chart(
        key="flow",
        title="Flow through the train",
        says="A solid line is metered, a dotted one follows from the restrictor; diamonds are "
        "bucket tests.",
        figure=sheet.json(),
        head=("From", "To", "Flow", "Known from"),
        rows=tuple(
            (
                _day(segments.start_day[k]),
                _day(segments.end_day[k]),
                in_words(float(segments.flow_l_day[k]), quantity="flow", units=units),
                ORIGIN_WORDS[int(segments.origin[k])],
            )
            for k in range(len(segments))
        ),
    )


def outlets(train: Train, *, units: str, now: dt.datetime) -> Chart | None:
    """The middle outcome behind each carbon stage, past and to come, against the limit."""
    rows = [
        e
        for e in Estimate.objects.filter(train=train).select_related("stage")
        if e.stage.is_carbon and e.curve().get("at")
    ]
    if not rows:
        return None
    sheet = Sheet(y_title=with_unit("Total chlorine", "chlorine", units))
    table: list[tuple[str, ...]] = []
    top = 2.5 * train.limit_mg_l
    for color, dash, estimate in zip(SERIES, cycle(DASHES), rows, strict=False):
        curve = estimate.curve()
        moments = [dt.datetime.fromisoformat(at) for at in curve["at"]]
        name = f"after stage {estimate.stage.position}"
        x = [clock(m) for m in moments]
        sheet.line(name, x, curve["p50"], line={"color": color, "dash": dash})
        seen = min(curve["p50"]) <= top * HEADROOM
        sheet.key(name if seen else f"{name}, higher than this", color=color, dash=dash)
        table += [
            (name, day_words(m), in_words(v, quantity="chlorine", units=units, decimals=3))
            for m, v in zip(moments, curve["p50"], strict=True)
        ]
    limit = in_words(train.limit_mg_l, quantity="chlorine", units=units)
    sheet.level(train.limit_mg_l, f"your limit {limit}")
    sheet.moment(clock(now), "today", color=NOW)
    sheet.figure.update_yaxes(range=[0, top * HEADROOM])
    return Chart(
        key="outlets",
        title="Chlorine behind each carbon",
        says="The most likely course behind each carbon stage, past and to come.",
        figure=sheet.json(),
        head=("Where", "Day", "Total chlorine"),
        rows=tuple(table),
    )


def _steps(segments: Segments, origin: int, units: str) -> tuple[list[str], list[float | None]]:
    """The corners of a line in steps over the segments of one origin, with gaps between them."""
    x: list[str] = []
    y: list[float | None] = []
    for k in np.flatnonzero(segments.origin == origin):
        start, end = _clock(segments.start_day[k]), _clock(segments.end_day[k])
        value = shown(float(segments.flow_l_day[k]), quantity="flow", units=units)
        if x and x[-1] != start:
            x.append(start)
            y.append(None)
        x += [start, end]
        y += [value, value]
    return x, y


def _clock(day: float) -> str:
    moment = moment_of(float(day))
    assert moment is not None  # the past is finite
    return clock(moment)


def _day(day: float) -> str:
    moment = moment_of(float(day))
    assert moment is not None
    return day_words(moment)
