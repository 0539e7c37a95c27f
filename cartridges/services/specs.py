"""What a package says: checked before it is kept, offered where a keeper has none at hand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from django.db import transaction
from django.db.models import Q

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Housing, Kind, Train
from cartridges.physics.contact import empty_bed_contact_min
from cartridges.physics.label import Claim, LabelError, bed_from_claim
from hobbyhydro.households.models import Household

from . import placements
from .estimates import mark_stale, settle

SPECIES = ("free", "chloramine")

# The spec's field for each number of a claim, after the species.
_FIELD = {
    "rated_volume_l": "volume_l",
    "rated_flow_l_day": "flow_l_day",
    "challenge_mg_l": "inlet_mg_l",
    "initial_reduction": "reduction_new",
    "end_reduction": "reduction_end",
}


def label_problems(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What cannot be true of a package, as (field of CartridgeSpec, words); empty when it can be.

    A claim counts as made once its volume or its flow is stated. Carbon needs at least one claim:
    without a capacity there is nothing to estimate from.
    """
    problems: list[tuple[str, str]] = []
    made = [s for s in SPECIES if _stated(values, s)]
    for species in made:
        problem = _claim_problem(values, species)
        if problem is not None:
            problems.append(problem)
    if not made and Kind(values["kind"]).is_carbon:
        problems.append(
            (
                "free_volume_l",
                "The capacity is missing: how much water does the package say it treats? If it "
                "says nothing, use the cartridge of the same kind and size from the starter set.",
            )
        )
    return problems


def _stated(values: Mapping[str, Any], species: str) -> bool:
    return any(values.get(f"{species}_{name}") is not None for name in ("volume_l", "flow_l_day"))


def _claim_problem(values: Mapping[str, Any], species: str) -> tuple[str, str] | None:
    figures = {physical: values.get(f"{species}_{name}") for physical, name in _FIELD.items()}
    missing = {
        "rated_volume_l": "The capacity is missing: how much water is the claim for?",
        "rated_flow_l_day": "At which flow does the claim hold? It stands beside the volume.",
        "challenge_mg_l": "How much chlorine was in the test water?",
        "initial_reduction": "How much does it take out when new?",
        "end_reduction": "How much does it still take out at the end of that volume?",
    }
    for physical, words in missing.items():
        if figures[physical] is None:
            return f"{species}_{_FIELD[physical]}", words
    try:
        bed_from_claim(claim=Claim(**{k: float(v) for k, v in figures.items() if v is not None}))
    except LabelError as error:
        return f"{species}_{_FIELD[error.field]}", str(error)
    return None


def bed_between_l(*, outer_mm: float, inner_mm: float, length_mm: float) -> float:
    """Litres of carbon in a hollow cylinder, π/4 (D² − d²) L; diameters and length in mm.

    An inner diameter of 0 is a solid cylinder. Raises ValueError unless 0 ≤ inner < outer and the
    length is above zero.
    """
    if not (0.0 <= inner_mm < outer_mm and length_mm > 0.0):
        raise ValueError("a hollow cylinder needs 0 <= inner < outer and a length above zero")
    return math.pi / 4.0 * (outer_mm**2 - inner_mm**2) * length_mm / 1e6


def contact_min(*, bed_volume_l: float | None, flow_l_day: float) -> float | None:
    """Minutes of empty-bed contact at a flow; None where either is unknown or nothing flows."""
    if bed_volume_l is None or flow_l_day <= 0.0:
        return None
    return float(empty_bed_contact_min(bed_volume_l=bed_volume_l, flow_l_day=flow_l_day))


def fitting_specs(household: Household, *, kind: str, housing: str) -> list[CartridgeSpec]:
    """The kinds of cartridge that go into such a stage: the household's own, then the starter set.

    A housing of another size takes any of its kind, and a cartridge of another size goes anywhere.
    """
    found = CartridgeSpec.objects.open_to(household).filter(kind=kind)
    if housing != Housing.OTHER:
        found = found.filter(Q(housing=housing) | Q(housing=Housing.OTHER))
    return sorted(found, key=lambda s: (s.is_starter, s.housing, s.micron or 0.0, s.name))


def nearest_starter(*, kind: str, housing: str) -> CartridgeSpec | None:
    """The starter cartridge to take typical figures from: same kind, same size if there is one."""
    rows = list(CartridgeSpec.objects.starter_set().filter(kind=kind))
    rows.sort(key=lambda s: (s.housing != housing, s.housing, s.micron or 0.0))
    return rows[0] if rows else None


def trains_resting_on(spec: CartridgeSpec, *, household: Household | None = None) -> list[Train]:
    """The trains in which a cartridge of this kind works or has worked.

    ``household`` narrows a starter kind, which every household shares, to one of them.
    """
    used = Fitting.objects.standing().filter(cartridge__spec=spec).values("train_id")
    trains = Train.objects.filter(pk__in=used)
    return list(trains if household is None else trains.filter(household=household))


@transaction.atomic
def create(household: Household, values: Mapping[str, Any]) -> CartridgeSpec:
    """Keep a household's own kind of cartridge. ``values`` must have no `label_problems`."""
    spec = CartridgeSpec(household=household, **values)
    _refuse(values)
    spec.save()
    return spec


def change(spec: CartridgeSpec, values: Mapping[str, Any]) -> list[Train]:
    """Change a household's own kind; the trains that rest on it are recalculated and returned."""
    if spec.is_starter:
        raise ValueError("the starter set is not a household's to change")
    _refuse(values)
    with transaction.atomic():
        for name, value in values.items():
            setattr(spec, name, value)
        spec.save(update_fields=list(values))
        trains = trains_resting_on(spec)
        for train in trains:
            mark_stale(train)
    for train in trains:
        settle(train)
    return trains


def remove(spec: CartridgeSpec) -> bool:
    """Take back a household's own kind; False where there is a cartridge of it."""
    if spec.is_starter or spec.cartridges.exists():
        return False
    spec.delete()
    return True


def at_work(cartridge: Cartridge) -> bool:
    """Whether the cartridge is in a stage now."""
    stays = placements.household_stays(cartridge.household)
    return any(s.cartridge.pk == cartridge.pk and s.end is None for s in stays)


def restore(cartridge: Cartridge) -> None:
    """Take the throwing away of a cartridge back."""
    cartridge.discarded_at = None
    cartridge.save(update_fields=["discarded_at"])


def _refuse(values: Mapping[str, Any]) -> None:
    problems = label_problems(values)
    if problems:
        field, words = problems[0]
        raise LabelError(field, words)
