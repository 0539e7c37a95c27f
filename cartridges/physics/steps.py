"""The past of a train, merged into few steps of constant flow and water."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import FloatArray
from .segments import RESTRICTOR, Segments
from .source import SourceSteps

FLOW_TOLERANCE = 0.25
STEP_BUDGET = 250
LONGEST_STEP = ((180.0, 4.0), (730.0, 10.0), (np.inf, 30.4375))
"""Longest merged step, days, for what lies at most so many days back."""


@dataclass(frozen=True, slots=True, eq=False)
class BedSteps:
    """Merged steps without gaps, sorted in time; all arrays (n,).

    start_day, end_day; flow_l_day: mean flow; free_mg_l, combined_mg_l: flow-weighted means, so
    that flow x level x duration is the mass that entered; *_rel_sd: weighted the same way.
    last_*: the flow and the water at the end of the step, unmerged (the flow is the last that was
    not 0), which is what a test at that moment met.
    """

    start_day: FloatArray
    end_day: FloatArray
    flow_l_day: FloatArray
    flow_rel_sd: FloatArray
    free_mg_l: FloatArray
    combined_mg_l: FloatArray
    source_rel_sd: FloatArray
    last_flow_l_day: FloatArray
    last_flow_rel_sd: FloatArray
    last_free_mg_l: FloatArray
    last_combined_mg_l: FloatArray
    last_source_rel_sd: FloatArray

    def __len__(self) -> int:
        return len(self.start_day)


def merge_steps(
    *,
    segments: Segments,
    source: SourceSteps,
    start_day: float,
    end_day: float,
    cuts: Iterable[float] = (),
    tail_flow_l_day: float = 0.0,
    tail_flow_rel_sd: float = 0.0,
    constant_bed_flow: bool = False,
) -> BedSteps:
    """Merge the past between two days into steps.

    Rule: a step ends at each of `cuts` (swaps, tests), where water is shut off or comes back, where
    the origin of the flow changes, where the flow leaves the step's mean by more than
    FLOW_TOLERANCE (a change of restrictor does), and when it grows longer than LONGEST_STEP allows
    for its age. Merging keeps the mass and, where the flow is equal, is exact for one species
    whatever the water did. While more than STEP_BUDGET steps remain beyond the cuts, the flow
    tolerance is doubled. With constant_bed_flow (water passes in bursts at one flow, however often)
    the flow never ends a step, save by stopping, and merging is always exact for one species.

    Gaps between segments count as no water; after the last segment the tail flow holds. The first
    source level is carried back and the last carried on. end_day <= start_day, or no source step,
    raises ValueError.
    """
    if not end_day > start_day:
        raise ValueError("merge_steps needs an end after its start")
    if len(source) == 0:
        raise ValueError("merge_steps needs at least one source step")
    marks = {float(day) for day in cuts if start_day < day < end_day}
    edges = np.concatenate(
        [
            segments.start_day,
            segments.end_day,
            source.start_day,
            source.end_day,
            np.array([start_day, end_day, *marks], dtype=np.float64),
        ]
    )
    edges = np.unique(edges[(edges >= start_day) & (edges <= end_day)])
    middle, days = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)

    flow, flow_sd, origin = _flow_at(segments, middle, tail_flow_l_day, tail_flow_rel_sd)
    level = np.clip(np.searchsorted(source.start_day, middle, side="right") - 1, 0, len(source) - 1)
    free, combined = source.free_mg_l[level], source.combined_mg_l[level]
    source_sd = source.rel_sd[level]

    forced = np.isin(edges[:-1], np.fromiter(marks, dtype=np.float64))
    forced[1:] |= (origin[1:] != origin[:-1]) | ((flow[1:] > 0) != (flow[:-1] > 0))
    forced[0] = True
    tolerance = np.inf if constant_bed_flow else FLOW_TOLERANCE
    allowed = _longest(end_day - edges[1:])
    budget = STEP_BUDGET + int(forced.sum())
    firsts = _firsts(flow, days, forced, allowed, tolerance)
    while len(firsts) > budget and tolerance < 10.0:
        tolerance *= 2.0
        firsts = _firsts(flow, days, forced, allowed, tolerance)

    lasts = np.append(firsts[1:], len(middle)) - 1
    length = np.add.reduceat(days, firsts)
    volume = np.add.reduceat(flow * days, firsts)
    # Where nothing flows, the duration stands in as the weight.
    weight = np.where(np.repeat(volume > 0, lasts - firsts + 1), flow * days, days)
    total = np.add.reduceat(weight, firsts)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values * weight, firsts) / total)

    running = _last_running(flow, tail_flow_l_day)
    return BedSteps(
        start_day=edges[:-1][firsts],
        end_day=edges[1:][lasts],
        flow_l_day=volume / length,
        flow_rel_sd=mean(flow_sd),
        free_mg_l=mean(free),
        combined_mg_l=mean(combined),
        source_rel_sd=mean(source_sd),
        last_flow_l_day=running[0][lasts],
        last_flow_rel_sd=np.where(running[1] >= 0, flow_sd[running[1]], tail_flow_rel_sd)[lasts],
        last_free_mg_l=free[lasts],
        last_combined_mg_l=combined[lasts],
        last_source_rel_sd=source_sd[lasts],
    )


def _flow_at(
    segments: Segments, day: FloatArray, tail_flow_l_day: float, tail_flow_rel_sd: float
) -> tuple[FloatArray, FloatArray, NDArray[np.int8]]:
    """Flow, its relative sd and origin at each day; 0 in gaps, the tail after the last segment."""
    flow, sd = np.zeros(len(day)), np.zeros(len(day))
    origin = np.full(len(day), RESTRICTOR, dtype=np.int8)
    after = np.ones(len(day), dtype=np.bool_)
    if len(segments):
        index = np.searchsorted(segments.start_day, day, side="right") - 1
        inside = (index >= 0) & (day < segments.end_day[index])
        flow[inside] = segments.flow_l_day[index[inside]]
        sd[inside] = segments.rel_sd[index[inside]]
        origin[inside] = segments.origin[index[inside]]
        after = day > segments.end_day[-1]
    flow[after], sd[after] = tail_flow_l_day, tail_flow_rel_sd
    return flow, sd, origin


def _longest(age_days: FloatArray) -> FloatArray:
    """The longest step allowed at each age."""
    limits = np.array([limit for limit, _ in LONGEST_STEP])
    longest = np.array([length for _, length in LONGEST_STEP])
    index = np.minimum(np.searchsorted(limits, age_days, side="left"), len(longest) - 1)
    return np.asarray(longest[index])


def _firsts(
    flow: FloatArray,
    days: FloatArray,
    forced: NDArray[np.bool_],
    allowed: FloatArray,
    tolerance: float,
) -> NDArray[np.intp]:
    """Index of the first piece of each step, by one walk from the oldest piece on."""
    firsts: list[int] = []
    length = volume = 0.0
    low, high = 1.0 / (1.0 + tolerance), 1.0 + tolerance
    pieces = zip(flow.tolist(), days.tolist(), forced.tolist(), allowed.tolist(), strict=True)
    for index, (own_flow, own_days, must_cut, longest) in enumerate(pieces):
        mean = volume / length if length > 0 else 0.0
        near = low * mean <= own_flow <= high * mean
        if must_cut or not near or length + own_days > longest + 1e-9:
            firsts.append(index)
            length = volume = 0.0
        length += own_days
        volume += own_flow * own_days
    return np.array(firsts, dtype=np.intp)


def _last_running(flow: FloatArray, tail_flow_l_day: float) -> tuple[FloatArray, NDArray[np.intp]]:
    """The last flow above 0 at or before each piece, and its index.

    Before any water: the first flow that comes. No water at all: the tail flow, index -1.
    """
    runs = np.flatnonzero(flow > 0)
    if len(runs) == 0:
        return np.full(len(flow), tail_flow_l_day), np.full(len(flow), -1, dtype=np.intp)
    before = np.searchsorted(runs, np.arange(len(flow)), side="right") - 1
    index = runs[np.maximum(before, 0)]
    return flow[index], index
