"""From what a package says, as it is kept, to what the model is given."""

from __future__ import annotations

from cartridges.models import CartridgeSpec
from cartridges.physics.label import Claim
from cartridges.physics.train import Medium


def claim_of(spec: CartridgeSpec, species: str) -> Claim | None:
    """The package's claim for "free" or "chloramine", or None where it makes none."""
    volume = getattr(spec, f"{species}_volume_l")
    flow = getattr(spec, f"{species}_flow_l_day")
    if volume is None and flow is None:
        return None
    return Claim(
        rated_volume_l=volume or 0.0,
        rated_flow_l_day=flow or 0.0,
        challenge_mg_l=getattr(spec, f"{species}_inlet_mg_l"),
        initial_reduction=getattr(spec, f"{species}_reduction_new"),
        end_reduction=getattr(spec, f"{species}_reduction_end"),
    )


def medium_of(spec: CartridgeSpec) -> Medium:
    """The model's view of a kind of cartridge, from its package alone."""
    return Medium(
        key=f"spec-{spec.pk}",
        kind=spec.kind,
        bed_volume_l=spec.bed_volume_l,
        free_claim=claim_of(spec, "free"),
        chloramine_claim=claim_of(spec, "chloramine"),
        calendar_days=spec.calendar_days,
        dirt_capacity_g=spec.dirt_capacity_g,
    )
