"""Causes that end a cartridge's life by what has passed it and how old it is, over members."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .arrays import FloatArray
from .ensemble import Members
from .forecast import Future
from .history import Uncertain
from .knowledge import litres_through
from .label import Claim
from .layout import Layouts
from .sediment import (
    SOLIDS_MG_L_PER_NTU,
    SOLIDS_PER_NTU_CV,
    ResistanceFit,
    fit_resistance,
    sediment_life,
)
from .train_data import Medium, TrainInputs

USUAL_RESISTANCE_LIMIT_KPA = 69.0
"""10 psi across a cartridge, the lower end of what is told keepers (common practice, no source)."""
DIRT_CAPACITY_CV = 0.30


def mean_flow_l_day(inputs: TrainInputs, uncertain: Uncertain) -> FloatArray:
    """The future flow averaged over open and shut valve, L/day, (members,)."""
    flow, _ = replace(uncertain, on_flow_l_day=None).flow(
        inputs.future_flow_l_day, inputs.future_flow_rel_sd
    )
    return np.broadcast_to(flow, len(uncertain))


def wear_days(
    inputs: TrainInputs,
    members: Members,
    *,
    medium: Medium,
    flow_l_day: FloatArray,
    passed_l: FloatArray | float,
    age_days: float,
    fit: ResistanceFit | None,
) -> dict[str, FloatArray]:
    """Days to "calendar", "dirt" and "resistance", each where it is known, (members,).

    flow_l_day: mean future flow; passed_l: litres so far, scalar or (members,); age_days: since it
    was first placed; fit: its growth of resistance, None or one that cannot tell leaves it out.
    0 when past, inf when it never comes.
    """
    dirt_factor = np.ones(len(members))
    if medium.dirt_capacity_g is not None:
        dirt_factor = members.lognormal(f"dirt:{medium.key}", cv=DIRT_CAPACITY_CV)
    solids_factor = members.lognormal("solids", cv=SOLIDS_PER_NTU_CV)
    if medium.solids_mg_l_per_ntu is not None:
        solids_factor = np.full(len(members), medium.solids_mg_l_per_ntu / SOLIDS_MG_L_PER_NTU)
    limit = inputs.resistance_limit_kpa
    life = sediment_life(
        flow_l_day=flow_l_day,
        passed_l=passed_l,
        age_days=age_days,
        temperature_c=inputs.temperature_c,
        dirt_capacity_g=medium.dirt_capacity_g,
        turbidity_ntu=inputs.turbidity_ntu,
        fit=fit,
        resistance_limit_kpa=USUAL_RESISTANCE_LIMIT_KPA if limit is None else limit,
        calendar_days=medium.calendar_days,
        capacity_factor=dirt_factor,
        solids_factor=solids_factor,
        growth_z=members.normal("growth"),
    )
    known = {
        "calendar": medium.calendar_days is not None,
        "dirt": medium.dirt_capacity_g is not None and inputs.turbidity_ntu is not None,
        "resistance": fit is not None and fit.tells,
    }
    return {cause: life[cause] for cause, is_known in known.items() if is_known}


def label_volume_days(
    claim: Claim, *, flow_l_day: FloatArray, passed_l: FloatArray | float
) -> FloatArray:
    """Days until the volume on the package has passed, (members,); 0 when past, inf at no flow."""
    left = np.maximum(claim.rated_volume_l - passed_l, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(left > 0.0, left / flow_l_day, 0.0)


def dirt_share_left(
    days: FloatArray, *, flow_l_day: FloatArray, passed_l: FloatArray | float
) -> FloatArray:
    """The fraction of the dirt load still free, from the days to a full one, (members,)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        to_go = days * flow_l_day
        share = np.where(np.isfinite(to_go), to_go / (to_go + passed_l), 1.0)
    return np.where(to_go + passed_l > 0, share, 1.0)


def claim_for(medium: Medium, future: Future) -> Claim | None:
    """The claim that fits the water to come, else whichever the package makes."""
    mostly_combined = float(future.combined_mg_l[0]) > float(future.free_mg_l[0])
    if mostly_combined and medium.chloramine_claim is not None:
        return medium.chloramine_claim
    return medium.free_claim or medium.chloramine_claim


def cartridge_fit(
    inputs: TrainInputs, layouts: Layouts, *, now_day: float, stage: int, cartridge: str
) -> ResistanceFit | None:
    """Growth of resistance from the pressure pairs taken while this cartridge sat here."""
    since = layouts.here_since(cartridge, stage)
    volumes, drops, flows = [], [], []
    for pair in sorted(inputs.pressure_pairs, key=lambda one: (one.day, one.drop_kpa)):
        if pair.stage != stage or not since <= pair.day <= now_day:
            continue
        flow = pair.flow_l_day if pair.flow_l_day is not None else _flow_on(inputs, pair.day)
        if flow > 0.0:
            volumes.append(
                litres_through(
                    inputs.segments,
                    layouts.periods_of(cartridge, until_day=pair.day),
                    until_day=pair.day,
                    tail_flow_l_day=inputs.future_flow_l_day,
                )
            )
            drops.append(pair.drop_kpa)
            flows.append(flow)
    if not volumes:
        return None
    return fit_resistance(
        volume_l=volumes, drop_kpa=drops, flow_l_day=flows, temperature_c=inputs.temperature_c
    )


def _flow_on(inputs: TrainInputs, day: float) -> float:
    """Flow through a filter at a moment: an open valve's, the segment's, else the future's."""
    if inputs.on_flow_l_day is not None:
        return inputs.on_flow_l_day
    segments = inputs.segments
    index = int(np.searchsorted(segments.start_day, day, side="left")) - 1
    if index >= 0 and day <= segments.end_day[index]:
        return float(segments.flow_l_day[index])
    return inputs.future_flow_l_day
