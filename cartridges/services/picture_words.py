"""What the parts of the train picture say, as lines of text and as text equivalents."""

from __future__ import annotations

from cartridges.models import Estimate
from hobbyhydro.households.units import in_words

from . import advice
from .overview import StageNow, TrainNow

Words = list[tuple[str, str]]
"""Lines of text, each with the class that styles it."""


def days_words(estimate: Estimate) -> str:
    """“50 days”, “due now”, or “over 10 years”: the middle outcome."""
    days = estimate.days_p50
    if days is None:
        return "over 10 years"
    return advice.plural(days, "day") if days > 0 else "due now"


def stage_lines(stage: StageNow, units: str) -> Words:
    estimate = stage.estimate
    if estimate is None:
        return [("not known", "days"), ("no estimate yet", "small")]
    lines = [(days_words(estimate), "days")]
    if estimate.p10_at is not None and estimate.days_p10 != estimate.days_p90:
        lines.append((advice.spread_in_days(estimate.p10_at, estimate.p90_at), "small"))
    if stage.stage.is_carbon and estimate.outlet_total_p50_mg_l is not None:
        lines.append((f"{outlet_words(estimate.outlet_total_p50_mg_l, units)} after it", "small"))
    return lines


def stage_label(stage: StageNow, units: str) -> str:
    head = f"Stage {stage.stage.position}, {stage.name}"
    estimate = stage.estimate
    if estimate is None:
        return f"{head}: not known, no estimate yet"
    said = [f"{days_words(estimate)}, {advice.STATE_WORDS[advice.stage_state(estimate)]}"]
    if estimate.p10_at is not None:
        spread = advice.spread_in_days(estimate.p10_at, estimate.p90_at)
        said.append(f"8 in 10 outcomes: {spread}")
    if stage.stage.is_carbon and estimate.outlet_total_p50_mg_l is not None:
        said.append(f"{outlet_words(estimate.outlet_total_p50_mg_l, units)} after it")
    return f"{head}: " + "; ".join(said)


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


def tap_label(now: TrainNow, units: str) -> str:
    return ", ".join(text for text, _ in tap_lines(now, units))


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


def restrictor_label(now: TrainNow, units: str) -> str:
    return ", ".join(text for text, _ in restrictor_lines(now, units))


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


def tanks_label(now: TrainNow, units: str) -> str:
    return ", ".join(text for text, _ in tanks_lines(now, units)) + ". Log a test."


def title(now: TrainNow) -> str:
    return f"{now.train.name}: the water’s way from the tap to the tanks"
