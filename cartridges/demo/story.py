"""What happened in the demo household, in days before today. All of it is invented.

A chloramine city. A room of salamanders and shrimp on a slow drip of 40 US gal/day behind a
sediment cartridge and two catalytic carbons. When the first carbon was spent, the second moved
forward. The utility ran free chlorine for a month; four months ago the restrictor was doubled to
feed a second tank, and the next rotation came far sooner than the one before; lately one test
between the carbons came out far above the forecast.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from cartridges.physics.throughput import FLOW_LAWS, Restrictor, restricted_flow_l_day
from cartridges.starter_set import L_PER_GAL

DAYS_OF_HISTORY = 425
PSI = 6.894757
SUPPLY_PSI = 58.0
RESTRICTORS: tuple[tuple[float, float, str], ...] = (
    (425, 40.0, "First restrictor"),
    (120, 80.0, "Doubled to feed the shrimp tank"),
)
SHUT_OFFS = ((98.0, 95.2, "Plumber replaced the shut-off valve"),)
SWITCH_TO_FREE = (205, 176)
NEXT_SWITCH_TO_FREE = (-160, -190)
"""Announced: it begins 160 days from now."""

# The household's own kinds of cartridge, as their packages put it.
SEDIMENT = {
    "name": "Pleated sediment 5 µm, 10 × 4.5 in",
    "kind": "sediment",
    "housing": "10x4.5",
    "micron": 5.0,
    "dirt_capacity_g": 350.0,
    "calendar_days": 183,
    "flush_volume_l": 8.0,
}
CARBON = {
    "name": "Catalytic carbon, 10 × 4.5 in",
    "kind": "catalytic_carbon",
    "housing": "10x4.5",
    "bed_volume_l": 2.0,
    "free_volume_l": 25_000 * L_PER_GAL,
    "free_flow_l_day": 1.5 * L_PER_GAL * 1440.0,
    "chloramine_volume_l": 6_000 * L_PER_GAL,
    "chloramine_flow_l_day": 1.0 * L_PER_GAL * 1440.0,
    "calendar_days": 365,
    "flush_volume_l": 40.0,
}
PRICES = {"sediment": "9.50", "catalytic_carbon": "42.00"}

SEDIMENT_SWAPS = (243, 62)
ROTATIONS = (204, 62)

# Total and free chlorine of the tap, mg/L; free is None where only total was tested.
UTILITY_REPORTS: tuple[tuple[float, float, float | None], ...] = (
    (420, 2.6, 0.05),
    (328, 2.4, 0.05),
    (237, 2.5, 0.08),
    (146, 2.7, 0.05),
    (54, 2.6, 0.06),
)
OWN_TAP_TESTS: tuple[tuple[float, float, float | None], ...] = (
    (398, 2.5, None),
    (361, 2.2, None),
    (300, 2.4, None),
    (262, 2.6, 0.1),
    (201, 2.9, 2.8),
    (188, 2.7, 2.7),
    (170, 2.5, 0.1),
    (115, 2.8, None),
    (83, 2.6, None),
    (26, 2.7, 0.1),
)

# Days ago, stage, mg/L or None for "below 0.1", kit, remark. The year's routine is in
# `routine_outlet_tests`; these are the ones that somebody remembers.
TOLD_OUTLET_TESTS: tuple[tuple[float, int, float | None, str, str], ...] = (
    (212, 2, 0.1, "drops", "First colour after the lead carbon"),
    (206, 2, 0.2, "drops", "Again, so we rotate"),
    (70, 2, 0.1, "drops", "Colour already, and only half the time since the last rotation"),
    (64, 2, 0.2, "drops", "Again: the doubled drip eats the carbon"),
    (17, 2, 0.4, "strip", "Far more than expected, with an old strip"),
    (15, 2, None, "drops", "Repeated with drops: nothing"),
    (9, 3, None, "meter", "Borrowed the club’s colorimeter: nothing after the second carbon"),
)
BUCKET_TESTS = (421, 118, 40)
CUP_L = 0.5

PRESSURES = (
    (424, 58.0, 57.0),
    (300, 59.0, 57.0),
    (244, 57.0, 54.0),
    (242, 57.0, 56.0),
    (119, 60.0, 58.0),
    (63, 58.0, 55.0),
    (61, 58.0, 57.0),
)
"""Days ago, psi before and after the sediment stage."""

TEMPERATURES = (420, 330, 240, 150, 60, 20)
"""Days ago on which somebody held a thermometer under the tap."""

TURBIDITIES: tuple[tuple[float, float], ...] = ((328, 0.4), (237, 0.9), (146, 0.5), (54, 0.6))
NOTES: tuple[tuple[float, str], ...] = (
    (120, "Second tank on the drip: 40 L, cherry-coloured shrimp, line is longer and higher."),
    (93, "New shut-off valve works. Flushed ten minutes before opening the drip."),
    (2, "Letter from the utility: free chlorine again next spring. Dates are entered."),
)


FIRST_MINUTE, LAST_MINUTE = 7 * 60, 21 * 60
"""Nobody in the story writes anything down at night."""
GOLDEN = 0.6180339887498949

Settled = Callable[[float], float]
"""From days ago as the story has them to days ago as the household's clock had them."""


def minute_of_day(days_ago: float) -> int:
    """The minute of the day at which what happened then happened: between 07:00 and 21:00, the
    same each time the story is told, and spread evenly over the days."""
    share = (days_ago * GOLDEN) % 1.0
    return FIRST_MINUTE + int(share * (LAST_MINUTE - FIRST_MINUTE))


def water_temperature_c(days_ago: float) -> float:
    """The tap runs from 8 to 20 °C and back within the year that ends today."""
    return 14.0 + 6.0 * math.sin(2.0 * math.pi * (140.0 - days_ago) / 365.0)


def true_flow_l_day(days_ago: float, *, settled: Settled) -> float:
    """What really dripped: 6 % under the restrictor's law, and less as its screen fouls."""
    rows = [(settled(fitted), rated) for fitted, rated, _ in RESTRICTORS]
    fitted, rated = next(row for row in reversed(rows) if days_ago <= row[0])
    law = FLOW_LAWS["capillary"]
    expected = restricted_flow_l_day(
        restrictor=Restrictor(
            fitted_day=-fitted,
            rated_flow_l_day=rated * L_PER_GAL,
            exponent=law.exponent,
            laminar=law.laminar,
        ),
        pressure_kpa=SUPPLY_PSI * PSI,
        temperature_c=water_temperature_c(days_ago),
    )
    return float(expected) * 0.94 * (1.0 - 0.0003 * (fitted - days_ago))


def bucket_test_s(days_ago: float, *, settled: Settled) -> float:
    """Seconds that the cup took to fill, by the kitchen clock."""
    flow_l_day = true_flow_l_day(settled(days_ago), settled=settled)
    return float(round(CUP_L / flow_l_day * 86_400.0))


def dripped_l(since: float, until: float, *, settled: Settled) -> float:
    """Litres that dripped between two moments, in days ago as the clock had them."""
    shut = [(settled(start), settled(end)) for start, end, _ in SHUT_OFFS]
    pieces = max(1, math.ceil((since - until) / 0.25))
    step = (since - until) / pieces
    total_l = 0.0
    for piece in range(pieces):
        middle = since - (piece + 0.5) * step
        if not any(end <= middle < start for start, end in shut):
            total_l += true_flow_l_day(middle, settled=settled) * step
    return total_l


def meter_readings(*, settled: Settled) -> list[tuple[float, float]]:
    """(days ago in the story, litres) at the uneven intervals of a real household, oldest first."""
    found: list[tuple[float, float]] = []
    total_l, due, before = 0.0, 9.0, settled(DAYS_OF_HISTORY)
    while (days_ago := DAYS_OF_HISTORY - math.ceil(due * 4.0) / 4.0) >= 1.0:
        total_l += dripped_l(before, settled(days_ago), settled=settled)
        before = settled(days_ago)
        found.append((days_ago, total_l))
        due += 5.0 + 4.0 * (1.0 + math.sin(1.7 * len(found)))
    return found


def routine_outlet_tests() -> list[tuple[float, int, None, str, str]]:
    """Every other week between the carbons: nothing to see."""
    told = {days for days, *_ in TOLD_OUTLET_TESTS}
    return [
        (float(days), 2, None, "drops", "")
        for days in range(411, 20, -15)
        if all(abs(days - t) > 5 for t in told)
    ]
