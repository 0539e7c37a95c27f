"""Why the water flows faster or slower than its restrictor is rated, in a clause."""

from __future__ import annotations

import math

from cartridges.physics.restrictor import (
    FLOW_LAWS,
    RATED_TEMPERATURE_C,
    Restrictor,
    restricted_flow_l_day,
)
from hobbyhydro.households.units import in_words

from .overview import TrainNow

WORTH_SAYING = 0.05  # a flow this close to the rating needs no reason
WORTH_NAMING = 0.03  # nor does a cause that changes it by less


def why_not_rated(now: TrainNow, *, units: str) -> str:
    """“58.7 gal/day; rated 75 gal/day at 77 °F and 60 psi: cold water passes …”, or “”.

    Nothing is said where the flow is not known, no restrictor is fitted, the water is off, or the
    flow is within 5 % of the rating. The causes are those of the restrictor's own law, by the
    temperature stated for the source and the supply's pressure, and what meter and bucket tests
    found beside it; each is named where it points the way the flow went.
    """
    fitted, flow = now.restrictor, now.flow_l_day
    if fitted is None or not flow or now.shut is not None:
        return ""
    ratio = flow / fitted.rated_flow_l_day
    if abs(ratio - 1.0) <= WORTH_SAYING:
        return ""
    said = [words for factor, words in _causes(now) if _counts(factor, ratio)]
    because = ", and ".join(said) or "that is what meter and tests found"
    rated = in_words(fitted.rated_flow_l_day, quantity="flow", units=units)
    warmth = in_words(RATED_TEMPERATURE_C, quantity="temperature", units=units, decimals=0)
    push = in_words(fitted.rated_pressure_kpa, quantity="pressure", units=units)
    flowing = in_words(flow, quantity="flow", units=units)
    return f"{flowing}; rated {rated} at {warmth} and {push}: {because}."


def _counts(factor: float, ratio: float) -> bool:
    away = abs(factor - 1.0) > WORTH_NAMING
    return away and (factor > 1.0) == (ratio > 1.0)


def _causes(now: TrainNow) -> list[tuple[float, str]]:
    """Factor on the rated flow, and its words; the largest change first."""
    fitted = now.restrictor
    assert fitted is not None  # the caller looked
    law = FLOW_LAWS[fitted.law]
    restrictor = Restrictor(
        fitted_day=0.0,
        rated_flow_l_day=1.0,
        rated_pressure_kpa=fitted.rated_pressure_kpa,
        exponent=law.exponent,
        laminar=law.laminar,
    )

    def through(pressure_kpa: float, temperature_c: float) -> float:
        found = restricted_flow_l_day(
            restrictor=restrictor, pressure_kpa=pressure_kpa, temperature_c=temperature_c
        )
        return float(found)

    warmth = through(fitted.rated_pressure_kpa, now.train.source.temperature_c)
    push = through(now.train.supply_pressure_kpa, RATED_TEMPERATURE_C)
    found = float(now.summary.get("correction") or 1.0)
    causes = [
        (
            warmth,
            "cold water passes a capillary more slowly"
            if warmth < 1.0
            else "warm water passes a capillary faster",
        ),
        (push, f"your pressure is {'lower' if push < 1.0 else 'higher'} than that"),
        (
            found,
            f"your meter and tests found {abs(found - 1.0):.0%} "
            f"{'less' if found < 1.0 else 'more'} than expected".replace("%", "\u00a0%"),
        ),
    ]
    known = [(factor, words) for factor, words in causes if math.isfinite(factor) and factor > 0]
    return sorted(known, key=lambda cause: -abs(math.log(cause[0])))
