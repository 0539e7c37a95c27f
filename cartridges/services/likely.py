"""Days and chances in plain words: likely spans, how often a cause comes first, and the caution
that a day is planned with. Pure words, no query.
"""

from __future__ import annotations

from cartridges.models import Cause, Estimate

from . import advice
from .overview import TrainNow

MEANING = "“Likely” holds 8 of 10 modelled outcomes: 1 in 10 comes sooner, 1 in 10 later."
CHANCES = {5: "1 in 20", 10: "1 in 10", 25: "1 in 4", 50: "1 in 2"}
EVEN = 50
"""The plan of even chances, in percent: its day is the middle outcome's."""


def span(spread: str, *, cause: str = "") -> str:
    """What `advice.spread_in_days` found, as the middle of a sentence.

    “41–66 days” becomes “likely between 41 and 66 days”. Where low and high are one day it is “on
    that day”, with what makes it so sure where that is the package's age.
    """
    if spread == "beyond ten years":
        return "likely only after ten years"
    if spread == "today or earlier":
        return "likely today or earlier"
    low, beyond, _ = spread.partition(" to beyond ten years")
    if beyond:
        soonest = "from today on" if low == "0 days" else f"after {low}"
        return f"likely {soonest}, perhaps only after ten years"
    low, dash, high = spread.partition("–")
    if dash and low == "0":
        return f"likely within {high}"
    if dash:
        return f"likely between {low} and {high}"
    return "on that day, by its package’s age" if cause == Cause.CALENDAR else "on that very day"


def span_of(estimate: Estimate) -> str:
    """The likely span of one cartridge, in words, where its cause is told beside them."""
    return span(advice.spread_in_days(estimate.p10_at, estimate.p90_at))


def short_span(spread: str) -> str:
    """The same beside the drawing, where there is little room; “” where it adds nothing."""
    low, beyond, _ = spread.partition(" to beyond ten years")
    if beyond:
        return "likely from now on" if low == "0 days" else f"likely over {low}"
    return f"likely {spread}" if "–" in spread else ""


def how_often_first(cause: str, share: float) -> str:
    """How often this cause ends the cartridge before any other; the package's volume ends none."""
    if cause == Cause.LABEL_VOLUME and not share:
        return "for comparison"
    if not share:
        return "not the first"
    if share < 0.05:
        return "rarely first"
    if share >= 1.0:
        return "always first"
    return "nearly always first" if share > 0.95 else f"first in {round(share * 100)} of 100"


def plan_chance(now: TrainNow) -> str:
    """“1 in 10”: the share of outcomes that would be spent by a planned day."""
    return CHANCES.get(_plan_by(now), f"{_plan_by(now)} of 100")


def why_planned_then(now: TrainNow) -> str:
    """Why the planned day and the most likely one differ, or that they do not."""
    chance = plan_chance(now)
    if _plan_by(now) == EVEN:
        return f"Planned for the most likely day: {chance} would be spent by then."
    return (
        f"Planned for the day by which {chance} would be spent, so it comes before the most likely "
        "one."
    )


def _plan_by(now: TrainNow) -> int:
    return int(now.summary.get("plan_by", 10))
