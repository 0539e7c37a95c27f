"""What an outlet test says about each member.

Error of a kit: ln(reading + floor) is normal about ln(outlet + floor) with the reading's own sd,
floor 0.005 mg/L: relative with a floor, because with an additive error a positive reading far above
the forecast would be dismissed as noise. A reading below what the kit can show is censored, never
zero. A share of readings are blunders (wrong tap, old reagent), spread evenly over ln from the
floor to 10 mg/L. Kit errors of 5 to 40 % have been published (Murray & Lantagne 2015); the sd of
35 %, the floor and the blunder share are our choice.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from .arrays import FloatArray
from .train_data import OutletReading

FLOOR_MG_L = 0.005
BLUNDER_SHARE = 0.02
BLUNDER_TOP_MG_L = 10.0
LEAST_STEP_MG_L = 0.1
"""Least step of common kits, for a reading logged as 0 (common practice, no source)."""


class Evidence(NamedTuple):
    """Per member: ln likelihood of a reading, and the probability that it was a blunder."""

    log_likelihood: FloatArray
    blunder: FloatArray


def check_reading(reading: OutletReading, *, stage_count: int, now_day: float) -> None:
    """ValueError with words for a reading that cannot be."""
    if not (math.isfinite(reading.value_mg_l) and reading.value_mg_l >= 0.0):
        raise ValueError("an outlet reading must be finite and not negative")
    if not (math.isfinite(reading.rel_sd) and reading.rel_sd > 0.0):
        raise ValueError("the error of an outlet reading must be above zero")
    if reading.species not in ("free", "total"):
        raise ValueError('an outlet reading is of "free" or "total" chlorine')
    if not 1 <= reading.after_stage <= stage_count:
        raise ValueError(f"stage {reading.after_stage} is not one of the {stage_count}")
    if not (math.isfinite(reading.day) and reading.day <= now_day):
        raise ValueError("an outlet reading cannot lie in the future")


def evidence(predicted_mg_l: FloatArray, *, reading: OutletReading) -> Evidence:
    """What a reading says of members that expect predicted_mg_l >= 0, (members,); NaN gives NaN."""
    censored = reading.below or reading.value_mg_l == 0.0
    value = reading.value_mg_l if reading.value_mg_l > 0.0 else LEAST_STEP_MG_L
    shown = math.log(value + FLOOR_MG_L)
    deviation = (shown - np.log(predicted_mg_l + FLOOR_MG_L)) / reading.rel_sd
    span = math.log(BLUNDER_TOP_MG_L + FLOOR_MG_L) - math.log(FLOOR_MG_L)
    if censored:
        honest = ndtr(deviation)
        astray = min(1.0, (shown - math.log(FLOOR_MG_L)) / span)
    else:
        honest = np.exp(-0.5 * deviation**2) / (reading.rel_sd * math.sqrt(2.0 * math.pi))
        astray = 1.0 / span
    blunder = BLUNDER_SHARE * astray
    likelihood = (1.0 - BLUNDER_SHARE) * honest + blunder
    return Evidence(np.log(likelihood), blunder / likelihood)
