"""From a kind of cartridge to the numbers of its bed, each with the assumption it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .label import (
    CHLORAMINE_RATE_CATALYTIC_PER_MIN,
    CHLORAMINE_RATE_ORDINARY_PER_MIN,
    LabelError,
    bed_from_claim,
    chloramine_rate_from_contact,
)
from .train_data import KINDS, Medium


@dataclass(frozen=True, slots=True)
class BedSpec:
    """The bed of one kind of cartridge, before anything uncertain is applied.

    capacity_mg: M, mg as Cl2 of the free species (of the combined where only it is claimed).
    rate_free_l_mg_day, rate_combined_l_mg_day: k at the flow free_flow_l_day,
    combined_flow_l_day; None there means that k does not change with the flow (a rate found at
    contact times like a drip train's own). weight_combined: capacity used per mg of combined
    chlorine. flow_exponent: n, None = uncertain. ageing_per_day: lambda. free_rests_on,
    combined_rests_on: codes of the assumptions behind each species' figures.
    """

    capacity_mg: float
    rate_free_l_mg_day: float
    rate_combined_l_mg_day: float
    free_flow_l_day: float | None
    combined_flow_l_day: float | None
    weight_combined: float
    flow_exponent: float | None
    ageing_per_day: float
    free_rests_on: tuple[str, ...]
    combined_rests_on: tuple[str, ...]


def bed_spec(*, medium: Medium, combined_in_water: bool) -> BedSpec | None:
    """The bed of a medium; None where it takes out no chlorine that anyone vouches for.

    A sediment cartridge, and one of kind "other" without claim and capacity of its own, have no
    bed. Capacity: the keeper's own, else the free-chlorine claim's, else the chloramine claim's;
    a carbon with none of them raises LabelError("capacity_mg"). Rate for free chlorine: own, else
    its claim's, else the chloramine claim's (free chlorine is taken up at least as fast: common
    practice, no source). Rate for chloramine: own, else its claim's, else first order in the
    contact time for ordinary or catalytic carbon, which needs the bed volume where the water holds
    combined chlorine (LabelError("bed_volume_l")). Two claims give the weight of a mg of
    chloramine: M_free / M_chloramine. Own numbers must be finite and positive, the exponent in
    [0, 1], the ageing in [0, 1) per day.
    """
    _check_own_numbers(medium)
    if medium.kind == "sediment":
        return None
    free = bed_from_claim(claim=medium.free_claim) if medium.free_claim else None
    other = bed_from_claim(claim=medium.chloramine_claim) if medium.chloramine_claim else None
    label = free or other
    if medium.capacity_mg is None and label is None:
        if medium.kind == "other":
            return None
        raise LabelError(
            "capacity_mg",
            "Capacity missing: enter what the package claims for free chlorine or chloramine, "
            "or a capacity of your own in grams of chlorine.",
        )
    claimed = label.capacity_mg if label else math.nan
    capacity = medium.capacity_mg if medium.capacity_mg is not None else claimed
    weight = free.capacity_mg / other.capacity_mg if free and other else 1.0

    free_rests: tuple[str, ...] = ()
    free_rate = medium.rate_free_l_mg_day
    if free_rate is None:
        if label is None:
            raise LabelError(
                "rate_free_l_mg_day",
                "Rate missing: a capacity alone does not say how fast the bed works. "
                "Enter the package's claim or a rate of your own.",
            )
        free_rate = label.rate_l_mg_day
        free_rests = () if free else ("free_rate_from_chloramine",)
    free_flow = label.rated_flow_l_day if label else None

    combined_rests: tuple[str, ...] = ()
    if medium.rate_combined_l_mg_day is not None:
        combined_rate = medium.rate_combined_l_mg_day
        combined_flow = other.rated_flow_l_day if other else free_flow
    elif other is not None:
        combined_rate, combined_flow = other.rate_l_mg_day / weight, other.rated_flow_l_day
    else:
        combined_flow = None
        combined_rate, combined_rests = _contact_rate(medium, capacity, combined_in_water)
    if free is None and medium.capacity_mg is None:
        free_rests = (*free_rests, "capacity_from_chloramine")
    return BedSpec(
        capacity_mg=capacity,
        rate_free_l_mg_day=free_rate,
        rate_combined_l_mg_day=combined_rate,
        free_flow_l_day=free_flow,
        combined_flow_l_day=combined_flow,
        weight_combined=weight,
        flow_exponent=medium.flow_exponent,
        ageing_per_day=medium.ageing_per_day or 0.0,
        free_rests_on=free_rests,
        combined_rests_on=combined_rests,
    )


def _contact_rate(
    medium: Medium, capacity_mg: float, combined_in_water: bool
) -> tuple[float, tuple[str, ...]]:
    """Rate for chloramine where nothing claims one, and the code of the assumption."""
    if medium.bed_volume_l is None:
        if combined_in_water:
            raise LabelError(
                "bed_volume_l",
                "The water holds chloramine and the package claims nothing for it: "
                "enter the bed volume, so that the contact time can stand in for a claim.",
            )
        return 0.0, ()
    catalytic = medium.kind == "catalytic_carbon"
    rate = chloramine_rate_from_contact(
        first_order_rate_per_min=(
            CHLORAMINE_RATE_CATALYTIC_PER_MIN if catalytic else CHLORAMINE_RATE_ORDINARY_PER_MIN
        ),
        bed_volume_l=medium.bed_volume_l,
        capacity_mg=capacity_mg,
    )
    return rate, ("chloramine_rate_catalytic" if catalytic else "chloramine_rate_ordinary",)


def _check_own_numbers(medium: Medium) -> None:
    if medium.kind not in KINDS:
        raise LabelError("kind", f"Unknown kind of cartridge: {medium.kind}.")
    for field, words in (
        ("bed_volume_l", "The bed volume"),
        ("capacity_mg", "The capacity"),
        ("rate_free_l_mg_day", "The rate for free chlorine"),
        ("rate_combined_l_mg_day", "The rate for chloramine"),
        ("calendar_days", "The calendar limit"),
        ("dirt_capacity_g", "The dirt capacity"),
    ):
        value = getattr(medium, field)
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise LabelError(field, f"{words} must be a number above zero, not {value:g}.")
    exponent, ageing = medium.flow_exponent, medium.ageing_per_day
    if exponent is not None and not 0.0 <= exponent <= 1.0:
        raise LabelError("flow_exponent", "The flow exponent must lie between 0 and 1.")
    if ageing is not None and not 0.0 <= ageing < 1.0:
        raise LabelError("ageing_per_day", "The ageing must be at least 0 and below 1 per day.")
