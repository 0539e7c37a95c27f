"""The band of the outlet over time, past and to come, for a chart of each stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .arrays import FloatArray
from .ensemble import weighted_quantiles
from .forecast import outlet_path
from .knowledge import SHARES, Knowledge
from .train_data import HORIZON_DAYS, Curve

BEYOND = 1.1
"""The curve runs past the 90th percentile of the days by this factor."""
SHORTEST_DAYS = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """A stage to draw: the beds passed once the water is through it, and per member the days to
    its limit."""

    stage: int
    cartridge: str
    beds: int
    days: FloatArray


def outlet_curves(known: Knowledge, wanted: list[Wanted]) -> list[Curve]:
    """The band of each stage's outlet, from the cartridge's placing here to just past its P90.

    Past points are at starts of merged steps, with the step's mean water; future points evenly
    spaced. The band is over the first curve_members members.
    """
    few = slice(0, known.curve_members)
    weight = known.weight[few]
    if not wanted:
        return []
    spans = []
    for stage in wanted:
        p90 = known.quantiles(stage.days).p90
        end = min(HORIZON_DAYS, max(SHORTEST_DAYS, BEYOND * p90))
        spans.append(np.linspace(0.0, end, known.curve_points))
    days = np.unique(np.concatenate(spans))
    share = known.dose_share
    path = outlet_path(
        remaining=known.remaining[:, few],
        series=known.series.take(few),
        future=known.future,
        uncertain=known.uncertain.first(known.curve_members),
        dose_share=share[few] if isinstance(share, np.ndarray) else share,
        days=days,
    )
    curves = []
    for stage, span in zip(wanted, spans, strict=True):
        since = known.layouts.here_since(stage.cartridge, stage.stage)
        past = np.flatnonzero(known.history.sample_day >= since)
        if len(past) > known.curve_points:
            spread = np.linspace(0, len(past) - 1, known.curve_points)
            past = past[np.round(spread).astype(np.intp)]
        before = known.history.sampled_total_mg_l[past, stage.stage]
        ahead = path[np.searchsorted(days, span), stage.beds]
        band = weighted_quantiles(np.vstack([before, ahead]), weight, SHARES)
        day = np.concatenate([known.history.sample_day[past], known.now_day + span])
        curves.append(Curve(day, band[:, 0].copy(), band[:, 1].copy(), band[:, 2].copy()))
    return curves
