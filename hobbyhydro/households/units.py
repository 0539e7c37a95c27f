"""Units at the edge: what a keeper types and reads, and what the model keeps.

The model and the database hold litres, L/day, kPa, °C and mg/L. A person reads in US or metric
units. Every conversion on the way in or out goes through this module, and through pint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import pint

_registry: pint.UnitRegistry[float] = pint.UnitRegistry()


@dataclass(frozen=True, slots=True)
class Reading:
    """How one system writes a quantity: pint's name for the unit, the label, the decimals."""

    pint_unit: str
    label: str
    decimals: int


@dataclass(frozen=True, slots=True)
class Quantity:
    """A kind of physical quantity: the unit it is kept in, and how each system writes it.

    ``least`` and ``most`` bound what a household's plumbing can sensibly show, in the kept unit.
    """

    kept_in: str
    us: Reading
    metric: Reading
    least: float
    most: float

    def reading(self, units: str) -> Reading:
        return self.us if units == "us" else self.metric


QUANTITIES: dict[str, Quantity] = {
    "volume": Quantity(
        "L", Reading("US_liquid_gallon", "gal", 0), Reading("L", "L", 0), 0.0, 1e7
    ),
    "cup": Quantity("L", Reading("mL", "mL", 0), Reading("mL", "mL", 0), 0.001, 100.0),
    "flow": Quantity(
        "L/day",
        Reading("US_liquid_gallon/day", "gal/day", 1),
        Reading("L/day", "L/day", 0),
        0.0,
        50_000.0,
    ),
    "rated_flow": Quantity(
        "L/day",
        Reading("US_liquid_gallon/minute", "gal/min", 2),
        Reading("L/minute", "L/min", 2),
        0.0,
        500_000.0,
    ),
    "bed_volume": Quantity("L", Reading("inch**3", "in³", 0), Reading("L", "L", 2), 0.0, 500.0),
    "size": Quantity("mm", Reading("inch", "in", 2), Reading("mm", "mm", 0), 0.0, 2_000.0),
    "pressure": Quantity("kPa", Reading("psi", "psi", 0), Reading("kPa", "kPa", 0), 0.0, 2_000.0),
    "temperature": Quantity(
        "degC", Reading("degF", "°F", 0), Reading("degC", "°C", 1), 0.0, 45.0
    ),
    "chlorine": Quantity("mg/L", Reading("mg/L", "mg/L", 2), Reading("mg/L", "mg/L", 2), 0.0, 10.0),
    "turbidity": Quantity(
        "dimensionless", Reading("dimensionless", "NTU", 2), Reading("dimensionless", "NTU", 2),
        0.0, 1_000.0,
    ),
    "dirt": Quantity("g", Reading("g", "g", 0), Reading("g", "g", 0), 0.0, 100_000.0),
    "capacity": Quantity("mg", Reading("g", "g", 1), Reading("g", "g", 1), 0.0, 1e8),
}  # fmt: skip


@cache
def _line(quantity: str, units: str) -> tuple[float, float]:
    """kept = slope * shown + offset, from pint, for one quantity in one system."""
    kind = QUANTITIES[quantity]
    shown = kind.reading(units).pint_unit

    def kept(value: float) -> float:
        return float(_registry.Quantity(value, shown).to(kind.kept_in).magnitude)

    offset = kept(0.0)
    return kept(1.0) - offset, offset


def to_kept(value: float, *, quantity: str, units: str) -> float:
    """What the keeper typed, in the unit that the model keeps."""
    slope, offset = _line(quantity, units)
    return value * slope + offset


def from_kept(value: float, *, quantity: str, units: str) -> float:
    """A kept value, in the reader's unit."""
    slope, offset = _line(quantity, units)
    return (value - offset) / slope


def unit_label(quantity: str, *, units: str) -> str:
    """The unit as it is written beside a number."""
    return QUANTITIES[quantity].reading(units).label


def in_figures(
    value: float | None, *, quantity: str, units: str, decimals: int | None = None
) -> str:
    """The number alone, rounded for reading; an en dash where there is none."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞"
    reading = QUANTITIES[quantity].reading(units)
    places = reading.decimals if decimals is None else decimals
    shown = from_kept(value, quantity=quantity, units=units)
    least = 10.0**-places
    if quantity == "chlorine" and 0.0 < shown < least / 2:
        return f"<\u00a0{least:.{places}f}"  # some is not none
    return f"{shown:,.{places}f}"


def in_words(value: float | None, *, quantity: str, units: str, decimals: int | None = None) -> str:
    """Number and unit together: a number never stands without its unit."""
    figures = in_figures(value, quantity=quantity, units=units, decimals=decimals)
    return f"{figures}\u00a0{unit_label(quantity, units=units)}"


def typed(value: float | None, *, quantity: str, units: str) -> str:
    """A kept value as it would have been typed: all its digits, no unit, no thousands mark."""
    if value is None:
        return ""
    return f"{from_kept(value, quantity=quantity, units=units):.7g}"
