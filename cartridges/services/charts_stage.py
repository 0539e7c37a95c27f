"""The charts of a stage's page: outlet with its band and tests, water through it, and causes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from cartridges.models import Cause, Estimate, OutletTest
from hobbyhydro.households.units import in_words

from .charts import LABEL, NOW, WATER, Chart, Sheet, clock, day_words, shown, with_unit
from .charts_train import thinned
from .likely import how_often_first
from .timeline import Timeline, day_of, moment_of

SHOWN_OVER_LIMIT = 2.5
"""The outlet chart reaches this many times the limit, or past the highest test and median."""


def charts(estimate: Estimate, *, line: Timeline, units: str) -> list[Chart]:
    """Those that there is something to show for. ``line`` is the train's timeline of now."""
    tests = list(
        OutletTest.objects.standing()
        .filter(stage=estimate.stage, at__gte=estimate.fitted_at, at__lte=line.now)
        .in_order()
    )
    found = (
        outlet(estimate, tests=tests, now=line.now, units=units),
        causes(estimate, now=line.now),
        volume(estimate, line=line, units=units),
    )
    return [c for c in found if c is not None]


def outlet(
    estimate: Estimate, *, tests: Sequence[OutletTest], now: dt.datetime, units: str
) -> Chart | None:
    """Total chlorine behind the stage, past and forecast, with band, limit and tests."""
    curve = estimate.curve()
    if not curve.get("at") or not estimate.stage.is_carbon:
        return None
    limit = estimate.train.limit_mg_l
    moments = [dt.datetime.fromisoformat(at) for at in curve["at"]]
    past = [v for m, v in zip(moments, curve["p50"], strict=True) if m <= now]
    highest = max([t.value_mg_l for t in tests] + past, default=0.0)
    top = max(SHOWN_OVER_LIMIT * limit, 1.15 * highest)
    x = [clock(m) for m in moments]
    low, middle, high = ([min(v, 2 * top) for v in curve[p]] for p in ("p10", "p50", "p90"))
    sheet = Sheet(y_title=with_unit("Total chlorine", "chlorine", units), height=340)
    sheet.band("likely", x, low, high)
    ahead = next((k for k, m in enumerate(moments) if m > now), len(moments))
    template = "most likely %{y:.3f} mg/L<extra></extra>"
    sheet.line("past", x[: ahead + 1], middle[: ahead + 1], hovertemplate=template)
    sheet.line("forecast", x[ahead:], middle[ahead:], line={"dash": "dash"}, hovertemplate=template)
    words = in_words(limit, quantity="chlorine", units=units)
    sheet.level(limit, f"your limit {words}")
    sheet.moment(clock(now), "today", color=NOW)
    for below, symbol in ((False, "diamond"), (True, "triangle-down-open")):
        some = [t for t in tests if t.below == below]
        if some:
            sheet.points(
                "tests below what the kit shows" if below else "tests",
                [clock(t.at) for t in some],
                [t.value_mg_l for t in some],
                symbol=symbol,
                text=[t.summary(units=units) for t in some],
            )
    sheet.figure.update_yaxes(range=[0, top])
    return Chart(
        key="outlet",
        title=f"Chlorine after stage {estimate.stage.position}",
        says="The line is the most likely course, dashed where it lies ahead; the band is likely. "
        "Diamonds are tests; an open triangle pointing down is a test that showed nothing, drawn "
        "at the least its kit can show.",
        figure=sheet.json(),
        head=("Day", "Likely at least", "Most likely", "Likely at most"),
        rows=tuple(
            (
                day_words(m),
                *(
                    in_words(curve[p][k], quantity="chlorine", units=units, decimals=3)
                    for p in ("p10", "p50", "p90")
                ),
            )
            for k, m in enumerate(moments)
        ),
    )


CAUSE_WORDS = {
    Cause.OUTLET_LIMIT: "chlorine at the limit",
    Cause.LABEL_VOLUME: "package’s volume",
    Cause.CALENDAR: "package’s age",
    Cause.DIRT: "full of dirt",
    Cause.RESISTANCE: "too much resistance",
}


def causes(estimate: Estimate, *, now: dt.datetime) -> Chart | None:
    """When each cause would end the cartridge's life on its own, and how often it comes first."""
    by_cause = estimate.details.get("by_cause") or {}
    shares = estimate.details.get("causes") or {}
    known = [
        (cause, [None if d is None else dt.datetime.fromisoformat(d) for d in dates])
        for cause, dates in by_cause.items()
        if cause in CAUSE_WORDS and dates and dates[0] is not None
    ]
    if not known:
        return None
    known.sort(key=lambda pair: pair[1][1] or dt.datetime.max.replace(tzinfo=dt.UTC), reverse=True)
    sheet = Sheet(y_title="", height=90 + 52 * len(known))
    far = _far_end([d for _, dates in known for d in dates], now=now)
    rows = []
    for cause, (low, middle, high, _) in known:
        name = CAUSE_WORDS[Cause(cause)]
        share = float(shares.get(cause, 0.0))
        first = how_often_first(cause, share)
        sheet.line(
            name,
            [clock(low or far), clock(high or far)],
            [name, name],
            line={"width": 9},
            hoverinfo="skip",
        )
        if middle is not None:
            sheet.points(
                name,
                [clock(middle)],
                [name],
                symbol="diamond",
                text=[f"{name}: {day_words(middle)}, {first}"],
            )
        words = f"{name}, {first}"  # above its bar, from the line of today on: there it has room
        sheet.note(clock(now), name, words, xanchor="left", yanchor="bottom", xshift=6, yshift=9)
        rows.append((name, *(_or_beyond(d) for d in (low, middle, high)), first))
    sheet.moment(clock(now), "today", color=NOW)
    sheet.figure.update_layout(hovermode="closest")
    sheet.figure.update_yaxes(
        showgrid=False,
        showticklabels=False,
        ticks="",
        rangemode="normal",
        range=[-0.4, len(known) - 0.1],
    )
    sheet.figure.update_xaxes(range=[clock(now - dt.timedelta(days=2)), clock(far)])
    return Chart(
        key="causes",
        title="What ends it, and when",
        says="Each bar is the likely time, the diamond the most likely day. The earliest cause "
        "decides; the package’s volume is shown for comparison.",
        figure=sheet.json(),
        head=("Cause", "Likely from", "Most likely", "Likely until", "How often first"),
        rows=tuple(reversed(rows)),
    )


def volume(estimate: Estimate, *, line: Timeline, units: str) -> Chart | None:
    """Water through this cartridge since it was new, wherever in the train it worked."""
    stays = [s for s in line.stays if s.cartridge.pk == estimate.cartridge_id]
    if not stays:
        return None
    segments = line.throughput.segments
    x: list[str] = []
    y: list[float] = []
    rows: list[tuple[str, ...]] = []
    total = 0.0
    for stay in stays:
        end = min(stay.end or line.now, line.now)
        part = thinned(
            segments.between(
                start_day=day_of(stay.start), end_day=max(day_of(end), day_of(stay.start))
            )
        )
        steps = np.concatenate([[0.0], np.cumsum(part.volume_l)]) + total
        days = np.concatenate([part.start_day[:1], part.end_day])
        for day, litres in zip(days, steps[: len(days)], strict=True):
            moment = moment_of(float(day))
            if moment is None:
                continue
            x.append(clock(moment))
            y.append(shown(float(litres), quantity="volume", units=units))
            rows.append(
                (day_words(moment), in_words(float(litres), quantity="volume", units=units))
            )
        total = float(steps[-1])
    sheet = Sheet(y_title=with_unit("Water through it", "volume", units))
    sheet.line(
        "water through it",
        x,
        y,
        line={"color": WATER},
        fill="tozeroy",
        fillcolor="var(--chart-band)",
    )
    first = stays[0].start
    fitted = list(estimate.train.restrictors.standing().filter(at__lte=line.now).in_order())
    before = [f for f in fitted if f.at <= first][-1:]
    for fitting in fitted:
        if fitting.at < first - dt.timedelta(minutes=1) and fitting not in before:
            continue
        rated = in_words(fitting.rated_flow_l_day, quantity="flow", units=units, decimals=0)
        sheet.moment(clock(max(fitting.at, first)), rated)
    label = estimate.label_volume_l
    if label is not None and label < 6 * max(total, 1.0):
        words = in_words(label, quantity="volume", units=units)
        at = shown(label, quantity="volume", units=units)
        sheet.level(at, f"the package’s volume {words}", color=LABEL)
        sheet.figure.update_yaxes(range=[0, max(at, y[-1] if y else 0) * 1.15])
    return Chart(
        key="volume",
        title="Water through this cartridge",
        says="Counted since it was new, with the restrictor of each time marked.",
        figure=sheet.json(),
        head=("Up to", "Water through it"),
        rows=tuple(rows),
    )


def _far_end(dates: Sequence[dt.datetime | None], *, now: dt.datetime) -> dt.datetime:
    """The right edge of the causes' axis: past all that is known, three years at most."""
    known = [d for d in dates if d is not None]
    last = max(known) + (max(known) - now) * 0.12
    return min(max(last, now + dt.timedelta(days=30)), now + dt.timedelta(days=3 * 365))


def _or_beyond(moment: dt.datetime | None) -> str:
    return day_words(moment) if moment else "over 10 years"
