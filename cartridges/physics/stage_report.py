"""The ensemble's answer put into words and figures, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .arrays import BoolArray, FloatArray
from .causes import (
    cartridge_fit,
    claim_for,
    dirt_share_left,
    label_volume_days,
    mean_flow_l_day,
    wear_days,
)
from .curves import Wanted, outlet_curves
from .ensemble import replicate_spread, two_humped
from .history import beds_upstream
from .knowledge import Knowledge, litres_through
from .label import Claim
from .sediment import ResistanceFit
from .train_data import (
    HORIZON_DAYS,
    NO_CAUSE,
    Curve,
    Medium,
    Quantiles,
    StageEstimate,
)
from .units import MIN_PER_DAY


def stage_estimates(known: Knowledge) -> tuple[tuple[StageEstimate, ...], float, bool]:
    """Every stage that holds a cartridge; the worst spread over replicates; whether two-humped."""
    occupants = known.layouts.at(known.now_day)
    upstream = beds_upstream(occupants, set(known.bed_keys))
    mean_flow = mean_flow_l_day(known.inputs, known.uncertain)
    stages: list[_Stage] = []
    for stage, key in enumerate(occupants, start=1):
        if key is not None:
            stages.append(_stage(known, stage, key, int(upstream[stage]), mean_flow))
    curves = outlet_curves(
        known,
        [
            Wanted(one.stage, one.cartridge, one.beds, one.by_cause.get("outlet_limit", one.days))
            for one in stages
        ],
    )
    train_days = known.quantiles(known.exceedance_days[-1])
    now_free, now_combined = known.outlets_now()
    spread, humped = 0.0, False
    results = []
    for one, curve in zip(stages, curves, strict=True):
        spread = max(spread, replicate_spread(one.days, known.weight))
        humped = humped or two_humped(one.days, known.weight)
        results.append(_estimate(known, one, curve, train_days, now_free, now_combined))
    return tuple(results), spread, humped


@dataclass(frozen=True, slots=True, eq=False)
class _Stage:
    """One stage's days by cause, per member."""

    stage: int
    cartridge: str
    medium: Medium
    beds: int  # passed once the water is through this stage
    volume_l: float
    claim: Claim | None
    by_cause: dict[str, FloatArray]
    deciding: tuple[str, ...]
    days: FloatArray
    fresh_outlet_mg_l: float | None
    weak: BoolArray
    dirt_remaining: FloatArray | None
    rests_on: tuple[str, ...]


def _outlet_limit(known: Knowledge, key: str, beds: int) -> tuple[FloatArray, float, BoolArray]:
    """Days to the outlet's limit, (members,); the median outlet if this cartridge were new now,
    mg/L; and in which members renewing would not hold the limit.

    Where the median new cartridge holds the limit the outlet after it counts, and it alone is
    taken as new; else the last stage's, with every bed taken as new.
    """
    limit = known.inputs.limit_mg_l
    own = _total_when_new(known, [key])[beds]
    fresh = known.quantiles(own).p50
    counted = beds if fresh <= limit else -1
    when_new = own if counted == beds else _total_when_new(known, known.bed_keys)[-1]
    weak = when_new > limit
    return known.exceedance_days[counted], fresh, weak


def _total_when_new(known: Knowledge, keys: list[str]) -> FloatArray:
    free, combined = known.outlets_now(fresh=keys)
    return free + combined


def _stage(known: Knowledge, stage: int, key: str, beds: int, flow_l_day: FloatArray) -> _Stage:
    inputs, medium = known.inputs, known.layouts.media[key]
    has_bed = key in known.bed_keys
    volume = litres_through(
        inputs.segments,
        known.layouts.periods_of(key, until_day=known.now_day),
        until_day=known.now_day,
        tail_flow_l_day=inputs.future_flow_l_day,
    )
    fit = cartridge_fit(inputs, known.layouts, now_day=known.now_day, stage=stage, cartridge=key)
    wear = wear_days(
        inputs,
        known.members,
        medium=medium,
        flow_l_day=flow_l_day,
        passed_l=volume,
        age_days=known.now_day - known.layouts.first_day(key),
        fit=fit,
    )
    by_cause: dict[str, FloatArray] = {}
    fresh, weak = None, np.zeros(len(known.members), dtype=np.bool_)
    if has_bed:
        by_cause["outlet_limit"], fresh, weak = _outlet_limit(known, key, beds)
    claim = claim_for(medium, known.future)
    if claim is not None:
        by_cause["label_volume"] = label_volume_days(claim, flow_l_day=flow_l_day, passed_l=volume)
    by_cause |= wear
    by_cause = {
        cause: np.where(days > HORIZON_DAYS, np.inf, days) for cause, days in by_cause.items()
    }
    deciding = tuple(cause for cause in by_cause if cause != "label_volume" or not has_bed)
    days = np.full(len(known.members), np.inf)
    for cause in deciding:
        days = np.minimum(days, by_cause[cause])
    dirt_remaining = None
    if "dirt" in wear:
        dirt_remaining = dirt_share_left(wear["dirt"], flow_l_day=flow_l_day, passed_l=volume)
    return _Stage(
        stage,
        key,
        medium,
        beds,
        volume,
        claim,
        by_cause,
        deciding,
        days,
        fresh,
        weak,
        dirt_remaining,
        _rests_on(known, key, medium, has_bed, "dirt" in wear, fit),
    )


def _rests_on(
    known: Knowledge,
    key: str,
    medium: Medium,
    has_bed: bool,
    dirt_known: bool,
    fit: ResistanceFit | None,
) -> tuple[str, ...]:
    """Codes of the assumptions that this stage's figures rest on."""
    codes: list[str] = []
    if has_bed:
        spec, future, past = known.specs[key], known.future, known.inputs.source_past
        if (future.free_mg_l > 0).any() or (past.free_mg_l > 0).any():
            codes += spec.free_rests_on
        if (future.combined_mg_l > 0).any() or (past.combined_mg_l > 0).any():
            codes += spec.combined_rests_on
    elif medium.kind != "sediment":
        codes.append("no_outlet_model")
    if dirt_known:
        codes.append("turbidity_factor")
    elif medium.kind == "sediment":
        codes.append("no_capacity" if medium.dirt_capacity_g is None else "turbidity_unknown")
    if medium.kind == "sediment" and not (fit is not None and fit.tells):
        codes.append("resistance_unknown")
    return tuple(dict.fromkeys(codes))


def _to_plan_by(known: Knowledge, stage: _Stage, days: FloatArray) -> FloatArray:
    """Days that a renewal is planned by: it does not help a member that even a new cartridge does
    not help. Such members are left out (NaN); where they are the half or more, the outlet's limit
    is left out instead."""
    if float(known.weight[stage.weak].sum()) < 0.5:
        return np.where(stage.weak, np.nan, days)
    if days is not stage.days:
        return np.full_like(days, np.inf)
    others = [stage.by_cause[cause] for cause in stage.deciding if cause != "outlet_limit"]
    return np.min(others, axis=0) if others else np.full_like(days, np.inf)


def _estimate(
    known: Knowledge,
    stage: _Stage,
    curve: Curve,
    train_days: Quantiles,
    now_free: FloatArray,
    now_combined: FloatArray,
) -> StageEstimate:
    weight, key = known.weight, stage.cartridge
    first = np.array([stage.by_cause[cause] for cause in stage.deciding])
    shares: dict[str, float] = {}
    if len(first):
        which = np.where(np.isinf(stage.days), len(first), first.argmin(axis=0))
        for index, cause in enumerate((*stage.deciding, NO_CAUSE)):
            share = float(weight[which == index].sum())
            if share > 0.0:
                shares[cause] = share
    else:
        shares[NO_CAUSE] = 1.0
    by_cause = {
        cause: known.quantiles(
            days, planned=_to_plan_by(known, stage, days) if cause == "outlet_limit" else None
        )
        for cause, days in stage.by_cause.items()
    }
    remaining = capacity = units = None
    if key in known.bed_keys:
        row = known.bed_keys.index(key)
        remaining = known.quantiles(known.remaining[row])
        capacity = known.quantiles(known.uncertain.beds[key].capacity_mg).p50
        combined_rules = known.future.combined_mg_l[0] > known.future.free_mg_l[0]
        chosen = known.series.units_combined if combined_rules else known.series.units_free
        units = known.quantiles(chosen[row]).p50
    elif stage.dirt_remaining is not None:
        remaining = known.quantiles(stage.dirt_remaining)
    contact = None
    flow_now = max(known.inputs.future_flow_l_day, known.inputs.on_flow_l_day or 0.0)
    if stage.medium.bed_volume_l is not None and known.inputs.future_flow_l_day > 0.0:
        contact = stage.medium.bed_volume_l / flow_now * MIN_PER_DAY
    limited = by_cause.get("outlet_limit")
    labelled = by_cause.get("label_volume")
    return StageEstimate(
        stage=stage.stage,
        cartridge=key,
        days=known.quantiles(stage.days, planned=_to_plan_by(known, stage, stage.days)),
        cause=max(shares, key=lambda cause: shares[cause]),
        cause_shares=shares,
        days_by_cause=by_cause,
        days_to_train_limit=train_days,
        remaining=remaining,
        outlet_total_mg_l=known.quantiles((now_free + now_combined)[stage.beds]),
        outlet_free_mg_l=known.quantiles(now_free[stage.beds]),
        contact_min=contact,
        volume_l=stage.volume_l,
        label_volume_l=stage.claim.rated_volume_l if stage.claim else None,
        label_days=labelled.p50 if labelled else None,
        safe_days=limited.p50 if limited else None,
        capacity_mg=capacity,
        transfer_units=units,
        fresh_outlet_mg_l=stage.fresh_outlet_mg_l,
        cannot_hold_share=None
        if stage.fresh_outlet_mg_l is None
        else float(weight[stage.weak].sum()),
        rests_on=stage.rests_on,
        curve=curve,
    )
