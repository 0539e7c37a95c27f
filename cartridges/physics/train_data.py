"""What the estimate of a train is given, and what it gives back.

Stages are numbered from 1 in the order of flow. `*_day` is a float day on one axis of the caller's
choice; `*_days` is a duration. Litres, L/day, mg/L as Cl2, kPa, degrees C.
"""

from __future__ import annotations

from dataclasses import dataclass

from .arrays import FloatArray
from .label import Claim
from .segments import Segments
from .source import SourceSteps

CARBON_KINDS = ("carbon_block", "granular_carbon", "catalytic_carbon")
KINDS = ("sediment", *CARBON_KINDS, "other")
CAUSES = ("outlet_limit", "label_volume", "calendar", "dirt", "resistance")
NO_CAUSE = "none"
"""The cause reported where nothing ends the cartridge's life within the horizon."""
HORIZON_DAYS = 3652.5


@dataclass(frozen=True, slots=True)
class Medium:
    """What a kind of cartridge is made of and claims; `key` is shared by all cartridges of a kind.

    kind: one of KINDS. bed_volume_l: litres of bed, None where unknown. free_claim,
    chloramine_claim: reduction claims of the package, None where it makes none. calendar_days: how
    long it may stay wet, whatever passes. dirt_capacity_g: grams of dirt it may hold (sediment).
    The rest are the keeper's own numbers, each in place of what the label would give (None =
    derived): capacity_mg (mg as Cl2), rate_free_l_mg_day and rate_combined_l_mg_day (L/(mg day),
    at the claim's rated flow), flow_exponent n in k = k_r (Q/Q_r)^n, ageing_per_day (1/day),
    solids_mg_l_per_ntu (dirt in the water for each NTU, sediment only).
    """

    key: str
    kind: str
    bed_volume_l: float | None = None
    free_claim: Claim | None = None
    chloramine_claim: Claim | None = None
    calendar_days: float | None = None
    dirt_capacity_g: float | None = None
    capacity_mg: float | None = None
    rate_free_l_mg_day: float | None = None
    rate_combined_l_mg_day: float | None = None
    flow_exponent: float | None = None
    ageing_per_day: float | None = None
    solids_mg_l_per_ntu: float | None = None


@dataclass(frozen=True, slots=True)
class Placing:
    """From `day` on, `cartridge` (its key, of `medium`) sits in `stage`; None empties the stage.

    A cartridge that is placed elsewhere leaves its old stage empty, unless something else is placed
    there at the same moment. A cartridge keeps its wear when it moves.
    """

    day: float
    stage: int
    cartridge: str | None
    medium: Medium | None = None


@dataclass(frozen=True, slots=True)
class OutletReading:
    """A chlorine test of the water after a stage.

    species: "free" or "total". below True: the kit showed nothing, value_mg_l is then the least it
    could have shown. rel_sd: standard deviation of ln(reading). A value of 0 is read as "below 0.1
    mg/L", the least step of common kits (common practice, no source). A reading taken at the very
    moment of a swap belongs to the cartridge that comes out.
    """

    key: str
    day: float
    after_stage: int
    species: str
    value_mg_l: float
    below: bool
    rel_sd: float = 0.35


@dataclass(frozen=True, slots=True)
class PressurePair:
    """The pressure lost across a stage, kPa, at a flow (None: the train's flow at that time)."""

    day: float
    stage: int
    drop_kpa: float
    flow_l_day: float | None = None


@dataclass(frozen=True, slots=True)
class TrainInputs:
    """Everything that is known of one train.

    segments: the water that passed, up to now. future_flow_l_day with its relative standard
    deviation: from now on. source_past, source_future: chlorine in the tap water up to now and from
    now on (the last level is carried on to the horizon). turbidity_ntu: of the tap water, None
    unknown. limit_mg_l: the total chlorine that may reach the animals. resistance_limit_kpa: the
    pressure that a sediment stage may take, None for the usual one. on_flow_l_day: None for a
    steady drip; else the flow while a valve is open, the same litres passing in bursts.
    plan_share: the share of members that have reached the cause by the planned day, in (0, 1).
    capacity_cv, rate_cv: coefficients of variation of the lognormal factors on each kind of
    cartridge's capacity and rate.
    """

    stage_count: int
    placings: tuple[Placing, ...]
    segments: Segments
    future_flow_l_day: float
    future_flow_rel_sd: float
    source_past: SourceSteps
    source_future: SourceSteps
    outlet_readings: tuple[OutletReading, ...] = ()
    pressure_pairs: tuple[PressurePair, ...] = ()
    turbidity_ntu: float | None = None
    temperature_c: float = 15.0
    limit_mg_l: float = 0.1
    resistance_limit_kpa: float | None = None
    on_flow_l_day: float | None = None
    capacity_cv: float = 0.30
    rate_cv: float = 0.40
    plan_share: float = 0.10


@dataclass(frozen=True, slots=True)
class Quantiles:
    """The 10th, 50th and 90th weighted percentile over the ensemble.

    planned: the percentile that TrainInputs.plan_share asks for, by default the 10th as well; of
    days, among the members that a renewal helps (see StageEstimate.cannot_hold_share).
    """

    p10: float
    p50: float
    p90: float
    planned: float


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A band over time: day, and p10, p50, p90 of total chlorine, mg/L; arrays of one length."""

    day: FloatArray
    p10: FloatArray
    p50: FloatArray
    p90: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class StageEstimate:
    """One stage that holds a cartridge. Days count from now: 0 already past, inf beyond horizon.

    days: to the first cause that decides; cause: the most frequent first cause (one of CAUSES, or
    NO_CAUSE); cause_shares: the weighted share of members in which each comes first (sums to 1).
    days_by_cause: each cause on its own; "label_volume" is there for information and decides only
    where there is no outlet model. days_to_train_limit: until the water after the last stage passes
    the limit. remaining: fraction of capacity left (None without an outlet model or dirt load).
    outlet_*_mg_l: after this stage now. contact_min: empty-bed contact at the flow now, None where
    the bed volume is unknown. volume_l: litres through the cartridge. label_volume_l, label_days:
    what the package promises and when the future flow reaches it. safe_days: median days to the
    limit after this stage. fresh_outlet_mg_l: median of what a new cartridge in this stage would
    let through now, all else as it is (None without an outlet model); where that is above the limit
    this stage alone cannot hold it, and its outlet limit is then counted at the last stage.
    cannot_hold_share: of members in which a new cartridge at the counted place would not hold the
    limit; renewing does not help them, so they are left out of the planned day (and the outlet
    limit is, where they are the half or more). capacity_mg, transfer_units: medians, for the
    species that dominates at the flow now. rests_on: codes of assumptions:
    "chloramine_rate_ordinary", "chloramine_rate_catalytic", "free_rate_from_chloramine",
    "capacity_from_chloramine", "no_outlet_model" (nothing is known of what it takes out); for
    sediment "turbidity_factor", "turbidity_unknown", "no_capacity" (no rated dirt load),
    "resistance_unknown" (the pressures cannot tell). curve: outlet from the cartridge's placing
    here to just past its P90.
    """

    stage: int
    cartridge: str
    days: Quantiles
    cause: str
    cause_shares: dict[str, float]
    days_by_cause: dict[str, Quantiles]
    days_to_train_limit: Quantiles
    remaining: Quantiles | None
    outlet_total_mg_l: Quantiles
    outlet_free_mg_l: Quantiles
    contact_min: float | None
    volume_l: float
    label_volume_l: float | None
    label_days: float | None
    safe_days: float | None
    capacity_mg: float | None
    transfer_units: float | None
    fresh_outlet_mg_l: float | None
    cannot_hold_share: float | None
    rests_on: tuple[str, ...]
    curve: Curve


@dataclass(frozen=True, slots=True, eq=False)
class TrainEstimate:
    """The whole train.

    stages: one per stage that holds a cartridge, in the order of flow. effective_members: Kish's
    (sum w)^2 / sum w^2. replicate_spread: relative standard deviation of the median days among 8
    interleaved blocks of members, for the worst stage. two_humped: the days of some stage fall into
    two groups, so that no single middle describes them. unreconciled: keys of readings that are
    more probably blunders than not. steps_used: merged steps of the past that were run.
    """

    stages: tuple[StageEstimate, ...]
    effective_members: float
    replicate_spread: float
    two_humped: bool
    unreconciled: tuple[str, ...]
    steps_used: int
