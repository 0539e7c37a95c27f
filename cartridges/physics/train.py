"""From what is known of a train to the days that each of its cartridges has left."""

from __future__ import annotations

from .train_data import (
    CARBON_KINDS,
    CAUSES,
    HORIZON_DAYS,
    KINDS,
    NO_CAUSE,
    Curve,
    Medium,
    OutletReading,
    Placing,
    PressurePair,
    Quantiles,
    StageEstimate,
    TrainEstimate,
    TrainInputs,
)

__all__ = [
    "CARBON_KINDS",
    "CAUSES",
    "HORIZON_DAYS",
    "KINDS",
    "NO_CAUSE",
    "Curve",
    "Medium",
    "OutletReading",
    "Placing",
    "PressurePair",
    "Quantiles",
    "StageEstimate",
    "TrainEstimate",
    "TrainInputs",
]
