"""From what is known of a train to the days that each of its cartridges has left."""

from __future__ import annotations

from .ensemble import effective_members
from .forecast import first_exceedance_days
from .knowledge import Knowledge
from .stage_report import stage_estimates
from .today import (
    CURVE_MEMBERS,
    CURVE_POINTS,
    DEFAULT_MEMBERS,
    DEFAULT_SEED,
    FLOW_EXPONENT_RANGE,
    train_today,
)
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
    "FLOW_EXPONENT_RANGE",
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
    "estimate_train",
]

BLUNDER_ODDS = 1.0


def estimate_train(
    inputs: TrainInputs,
    *,
    now_day: float,
    members: int = DEFAULT_MEMBERS,
    seed: int = DEFAULT_SEED,
) -> TrainEstimate:
    """The days that each cartridge in a train has left, and how sure that is.

    Runs the past over an ensemble of `members` (at least 16), weighs it by the outlet tests, and
    goes on into the future to the first cause that ends each cartridge, up to HORIZON_DAYS. The
    same inputs and seed give the same answer, in whatever order things were logged. Units and
    meanings: see TrainInputs and StageEstimate; mathematics: see `bed`, `ensemble`,
    `conditioning`, `forecast`.

    Raises LabelError for a package that cannot be or does not say enough, ValueError for anything
    else that cannot be: a number that is not finite, a limit at or below zero, a negative flow, a
    reading in the future or after a stage that is not there, no placing up to now.
    """
    today = train_today(
        inputs, now_day=now_day, horizon_days=HORIZON_DAYS, members=members, seed=seed
    )
    days = first_exceedance_days(
        remaining=today.remaining,
        series=today.series,
        future=today.future,
        uncertain=today.uncertain,
        dose_share=today.dose_share,
        limit_mg_l=inputs.limit_mg_l,
    )
    stages, spread, humped = stage_estimates(
        Knowledge(
            inputs=inputs,
            now_day=now_day,
            layouts=today.layouts,
            specs=today.specs,
            members=today.members,
            weight=today.weight,
            uncertain=today.uncertain,
            history=today.history,
            future=today.future,
            bed_keys=today.bed_keys,
            remaining=today.remaining,
            series=today.series,
            dose_share=today.dose_share,
            exceedance_days=days,
            curve_members=min(CURVE_MEMBERS, members),
            curve_points=CURVE_POINTS,
        )
    )
    blunder_share = [float(today.weight @ blunder) for blunder in today.blunders]
    return TrainEstimate(
        stages=stages,
        effective_members=effective_members(today.weight),
        replicate_spread=spread,
        two_humped=humped,
        unreconciled=tuple(
            reading.key
            for reading, share_of in zip(today.readings, blunder_share, strict=True)
            if share_of > BLUNDER_ODDS * (1.0 - share_of)
        ),
        steps_used=today.steps_used,
    )
