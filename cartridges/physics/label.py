"""What a package says, turned into the numbers that the bed model needs."""

from __future__ import annotations

import math
from dataclasses import dataclass

MIN_PER_DAY = 1440.0
CHLORAMINE_RATE_ORDINARY_PER_MIN = 0.15
CHLORAMINE_RATE_CATALYTIC_PER_MIN = 0.37
"""First-order loss of chloramine per minute of empty-bed contact, ordinary and catalytic carbon.

From the end points in Fairey, Speitel & Katz 2007, J. AWWA 99(7):110: 2 mg/L falls to 0.1 mg/L in
20 min on ordinary and in 8 min on catalytic carbon, and ln(2/0.1) = 2.996.
"""

FREE_CHLORINE_CHALLENGE_MG_L = 2.0
FREE_CHLORINE_END_REDUCTION = 0.5
CHLORAMINE_CHALLENGE_MG_L = 3.0
CHLORAMINE_END_REDUCTION = 1.0 - 0.5 / 3.0
"""Test conditions of the US standard NSF/ANSI 42 (value from memory): free chlorine at 2.0 mg/L
with at least half removed up to the rated volume; chloramine at 3.0 mg/L in, 0.5 mg/L out."""

USUAL_INITIAL_REDUCTION = 0.97
"""Reduction by a fresh cartridge where a package states none (common practice, no source)."""


class LabelError(ValueError):
    """A package that cannot be true, or does not say enough.

    `field` is the name of the number at fault (an attribute of Claim or Medium); the message is
    written for the keeper who typed it.
    """

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


@dataclass(frozen=True, slots=True)
class Claim:
    """One reduction claim as printed on a package.

    rated_volume_l: litres the claim holds for; rated_flow_l_day: flow it was tested at, L/day;
    challenge_mg_l: chlorine in the test water, mg/L as Cl2; initial_reduction, end_reduction:
    fractions removed by the fresh cartridge and at the rated volume, end < initial < 1.
    Nothing is checked here; `bed_from_claim` refuses what cannot be.
    """

    rated_volume_l: float
    rated_flow_l_day: float
    challenge_mg_l: float
    initial_reduction: float
    end_reduction: float


@dataclass(frozen=True, slots=True)
class BedParameters:
    """A bed as the model sees it, for one species.

    transfer_units_rated: k M / Q at the rated flow (dimensionless); rate_l_mg_day: k at the rated
    flow, L/(mg day); capacity_mg: M, mg as Cl2; rated_flow_l_day: the flow that k belongs to.
    """

    transfer_units_rated: float
    rate_l_mg_day: float
    capacity_mg: float
    rated_flow_l_day: float


def _positive(field: str, value: float, words: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise LabelError(field, f"{words} must be a number above zero, not {value:g}.")


def bed_from_claim(*, claim: Claim) -> BedParameters:
    """The bed whose outlet meets a claim exactly: r0 at the start, r_e at the rated volume.

    b_r = -ln(1 - r0); k = ln[(e^b_r - 1)(1 - r_e)/r_e] / (C_r V_r/Q_r); M = b_r Q_r / k, from the
    Bohart-Adams outlet 1/(1 + e^(-k C t)(e^b - 1)) at t = V_r/Q_r (Bohart & Adams 1920, J. Am.
    Chem. Soc. 42:523). Valid for 0 < r_e < r0 < 1 and positive, finite volume, flow and challenge;
    anything else, NaN included, raises LabelError naming the field.
    """
    _positive("rated_volume_l", claim.rated_volume_l, "The rated volume")
    _positive("rated_flow_l_day", claim.rated_flow_l_day, "The rated flow")
    _positive("challenge_mg_l", claim.challenge_mg_l, "The chlorine in the test water")
    first, last = claim.initial_reduction, claim.end_reduction
    if not 0.0 < last < 1.0:
        raise LabelError(
            "end_reduction",
            "The reduction at the rated volume must lie between 0 and 100 %, both excluded.",
        )
    if not 0.0 < first < 1.0:
        raise LabelError(
            "initial_reduction",
            "The reduction when new must lie between 0 and 100 %, both excluded: "
            "no carbon bed removes every last trace.",
        )
    if first <= last:
        raise LabelError(
            "initial_reduction",
            "The reduction when new must be above the reduction at the rated volume: "
            "a cartridge that loses nothing would never be spent.",
        )
    transfer_units = -math.log1p(-first)
    # (e^b - 1)(1 - r_e)/r_e = [r0/(1 - r0)] / [r_e/(1 - r_e)]: a ratio of odds, above 1 here.
    odds = math.log(first) - math.log1p(-first) - math.log(last) + math.log1p(-last)
    rated_days = claim.rated_volume_l / claim.rated_flow_l_day
    rate = odds / (claim.challenge_mg_l * rated_days)
    return BedParameters(
        transfer_units_rated=transfer_units,
        rate_l_mg_day=rate,
        capacity_mg=transfer_units * claim.rated_flow_l_day / rate,
        rated_flow_l_day=claim.rated_flow_l_day,
    )


def chloramine_rate_from_contact(
    *, first_order_rate_per_min: float, bed_volume_l: float, capacity_mg: float
) -> float:
    """Rate k, L/(mg day), that gives a fresh bed a first-order loss per minute of contact.

    A fresh bed passes e^(-k M/Q) and first-order kinetics passes e^(-k1 V/Q): k = k1 V / M, with
    k1 per minute times 1,440 min/day, V in litres and M in mg as Cl2. All three must be finite and
    positive, else LabelError. Source of k1: see CHLORAMINE_RATE_ORDINARY_PER_MIN.
    """
    _positive("rate_combined_l_mg_day", first_order_rate_per_min, "The rate of chloramine loss")
    _positive("bed_volume_l", bed_volume_l, "The bed volume")
    _positive("capacity_mg", capacity_mg, "The capacity")
    return first_order_rate_per_min * MIN_PER_DAY * bed_volume_l / capacity_mg
