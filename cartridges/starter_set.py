"""The starter set: generic cartridges, so that a keeper gets an answer before reading a package.

Sizes are those of the trade. Carbon volumes follow from typical outer and inner diameters of such
cartridges; claims, dirt loads and flushing volumes are middle-of-the-road figures: common practice,
no source. The screens say so wherever one of these is used, and ask for the package's own.
"""

from __future__ import annotations

from typing import Any

L_PER_GAL = 3.785411784
GPM_L_DAY = L_PER_GAL * 1440.0

# A claim is (rated volume in US gal, flow in US gal/min).
Claim = tuple[float, float]


def _sediment(key: str, housing: str, micron: float, dirt_g: float) -> dict[str, Any]:
    return {
        "starter_key": key,
        "kind": "sediment",
        "housing": housing,
        "micron": micron,
        "dirt_capacity_g": dirt_g,
        "calendar_days": 183,
        "flush_volume_l": 4.0,
        "name": f"Sediment {micron:g} µm, {_SIZE[housing]}",
    }


def _carbon(
    key: str,
    kind: str,
    housing: str,
    *,
    bed_l: float,
    free: Claim | None,
    chloramine: Claim | None = None,
    micron: float | None = None,
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "starter_key": key,
        "kind": kind,
        "housing": housing,
        "micron": micron,
        "bed_volume_l": bed_l,
        "calendar_days": 365,
        "flush_volume_l": 20.0 * bed_l,
        "name": f"{_NOUN[kind]}, {_SIZE[housing]}",
    }
    for species, claim in (("free", free), ("chloramine", chloramine)):
        if claim is not None:
            row[f"{species}_volume_l"] = claim[0] * L_PER_GAL
            row[f"{species}_flow_l_day"] = claim[1] * GPM_L_DAY
    return row


_SIZE = {"10x2.5": "10 × 2.5 in", "20x4.5": "20 × 4.5 in"}
_NOUN = {
    "carbon_block": "Carbon block",
    "granular_carbon": "Granular carbon",
    "catalytic_carbon": "Catalytic carbon",
}

STARTER_SET: list[dict[str, Any]] = [
    _sediment("sediment-1-slim", "10x2.5", 1.0, 60.0),
    _sediment("sediment-5-slim", "10x2.5", 5.0, 110.0),
    _sediment("sediment-20-slim", "10x2.5", 20.0, 150.0),
    _sediment("sediment-1-wide", "20x4.5", 1.0, 450.0),
    _sediment("sediment-5-wide", "20x4.5", 5.0, 800.0),
    _sediment("sediment-20-wide", "20x4.5", 20.0, 1100.0),
    _carbon("block-slim", "carbon_block", "10x2.5", bed_l=0.55, free=(6_000, 1.0), micron=5.0),
    _carbon("block-wide", "carbon_block", "20x4.5", bed_l=4.0, free=(50_000, 4.0), micron=5.0),
    _carbon("granular-slim", "granular_carbon", "10x2.5", bed_l=0.60, free=(3_000, 0.75)),
    _carbon("granular-wide", "granular_carbon", "20x4.5", bed_l=4.4, free=(25_000, 3.0)),
    _carbon(
        "catalytic-slim",
        "catalytic_carbon",
        "10x2.5",
        bed_l=0.55,
        free=(6_000, 0.75),
        chloramine=(1_500, 0.5),
    ),
    _carbon(
        "catalytic-wide",
        "catalytic_carbon",
        "20x4.5",
        bed_l=4.2,
        free=(50_000, 3.0),
        chloramine=(12_000, 2.0),
    ),
]


def keep_starter_set(sender: Any = None, **kwargs: Any) -> None:
    """Write the starter set into the database, or bring it up to date (after every migrate)."""
    from .models import CartridgeSpec

    for row in STARTER_SET:
        CartridgeSpec.objects.update_or_create(
            starter_key=row["starter_key"], household=None, defaults=row
        )
