"""What the parts of the train picture say, as lines of text and as text equivalents."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.utils import timezone

from cartridges.models import Estimate
from hobbyhydro.households.units import in_words

from . import advice, likely
from .overview import StageNow, TrainNow

Words = list[tuple[str, str]]
"""Lines of text, each with the class that styles it."""


@dataclass(frozen=True, slots=True)
class Said:
    """The lines beside one part, and its text equivalent."""

    lines: Words
    label: str


@dataclass(frozen=True, slots=True)
class StageSaid:
    """The same for a stage, with its name and state."""

    name: str
    state: str
    lines: Words
    label: str


@dataclass(frozen=True, slots=True)
class TrainSaid:
    """Everything that the picture of one train says; ``tap_short`` is for a narrow screen."""

    title: str
    tap: Said
    tap_short: Words
    stages: tuple[StageSaid, ...]
    restrictor: Said
    tanks: Said


def say(now: TrainNow, *, units: str) -> TrainSaid:
    """The words of one train, in the reader's units."""
    today = timezone.localdate()
    tap, restrictor, tanks = (
        tap_lines(now, units),
        restrictor_lines(now, units),
        tanks_lines(now, units),
    )
    return TrainSaid(
        title=f"{now.train.name}: the water’s way from the tap to the tanks",
        tap=Said(tap, _in_a_row(tap)),
        tap_short=tap_lines(now, units, short=True),
        stages=tuple(stage_said(s, units, today=today) for s in now.stages),
        restrictor=Said(restrictor, _in_a_row(restrictor)),
        tanks=Said(tanks, f"{_in_a_row(tanks)}. Log a test."),
    )


def stage_said(stage: StageNow, units: str, *, today: dt.date) -> StageSaid:
    """Most likely days first, then the likely span, the planned day where it is another one, and
    the water behind a carbon."""
    head = f"{stage.stage.position} {stage.name}"
    spoken = f"Stage {stage.stage.position}, {stage.name}"
    estimate = stage.estimate
    if estimate is None:
        lines = [("not known", "days"), ("no estimate yet", "small")]
        return StageSaid(head, "unknown", lines, f"{spoken}: not known, no estimate yet")
    state = advice.stage_state(estimate, today=today)
    days = days_words(estimate, today=today)
    lines = [(days, "days")]
    said = [f"{_most_likely(days)}, {advice.STATE_WORDS[state]}"]
    if estimate.p10_at is not None:
        spread = advice.spread_in_days(estimate.p10_at, estimate.p90_at, today=today)
        said.append(likely.span(spread, cause=estimate.cause))
        if short := likely.short_span(spread):
            lines.append((short, "small"))
    planned = plan_words(estimate, today=today)
    if planned and planned != days:
        lines.append((f"plan for: {planned}", "small"))
        said.append(f"plan for {planned}")
    if stage.stage.is_carbon and estimate.outlet_total_p50_mg_l is not None:
        outlet = f"{outlet_words(estimate.outlet_total_p50_mg_l, units)} after it"
        lines.append((outlet, "small"))
        said.append(outlet)
    return StageSaid(head, state, lines, f"{spoken}: " + "; ".join(said))


def days_words(estimate: Estimate, *, today: dt.date) -> str:
    """“50 days”, “due now”, or “over 10 years”: the middle outcome."""
    if estimate.p50_at is None:
        return "over 10 years"
    days = days_left(estimate, today=today)
    return advice.plural(days, "day") if days > 0 else "due now"


def _most_likely(days: str) -> str:
    return f"most likely {days}" if days[0].isdecimal() else days


def plan_words(estimate: Estimate, *, today: dt.date) -> str:
    """“6 days” or “now”: to the day that is planned for; “” beyond the horizon."""
    if estimate.planned_at is None:
        return ""
    days = advice.days_to(estimate.planned_at, today=today)
    if days > 0:
        return advice.plural(days, "day")
    return "now" if estimate.p50_at is None or days_left(estimate, today=today) > 0 else "due now"


def days_left(estimate: Estimate, *, today: dt.date) -> int:
    """To the middle outcome, which is known."""
    assert estimate.p50_at is not None  # the caller looked
    return advice.days_to(estimate.p50_at, today=today)


def outlet_words(value: float, units: str) -> str:
    """A predicted concentration; one too small for any home kit is only called small."""
    if value < 0.01:
        return f"< {in_words(0.01, quantity='chlorine', units=units)}"
    return in_words(value, quantity="chlorine", units=units)


def tap_lines(now: TrainNow, units: str, *, short: bool = False) -> Words:
    """``short`` puts the chlorine and its kind on one line."""
    total = now.summary.get("inlet_total_mg_l")
    lines = [("Tap", "name")]
    if total is not None:
        said = [in_words(float(total), quantity="chlorine", units=units), now.disinfectant]
        lines += [(text, "small") for text in ([" ".join(said)] if short else said)]
    return lines


def restrictor_lines(now: TrainNow, units: str) -> Words:
    if now.shut is not None:
        return [("Water off", "name")]
    flow = now.flow_l_day
    lines = [("Restrictor" if now.restrictor is not None else "No restrictor", "name")]
    if flow is not None:
        lines.append((in_words(flow, quantity="flow", units=units), "small"))
    if now.restrictor is not None:
        rated = in_words(now.restrictor.rated_flow_l_day, quantity="flow", units=units, decimals=0)
        lines.append((f"rated {rated}", "small"))
    return lines


def tanks_lines(now: TrainNow, units: str) -> Words:
    said = advice.verdict(now)
    lines = [("To the tanks", "name")]
    last = now.last
    if last is not None and last.estimate is not None and now.shut is None:
        value = last.estimate.outlet_total_p50_mg_l
        if value is not None:
            lines.append((outlet_words(value, units), "small"))
    lines.append((said.word.lower(), "small"))
    return lines


def _in_a_row(lines: Words) -> str:
    return ", ".join(text for text, _ in lines)
