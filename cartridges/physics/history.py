"""The past of a train, run over all members: every cartridge's wear, every test's prediction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import FloatArray
from .ensemble import log_sd
from .layout import Layouts
from .series import MemberBed, Series, at_flow, outlets_mg_l, quiet_days, run
from .steps import BedSteps, merge_steps
from .train_data import OutletReading

__all__ = ["BedSteps", "History", "Uncertain", "merge_steps", "run_history"]

MOST_SUBSTEPS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Uncertain:
    """What differs between members: beds by cartridge, and the errors of source and flow.

    source_z, flow_z: standard normals (members,), scaled by each step's own relative sd; tap_z the
    same for the source from now on (see `source_error`).
    on_flow_l_day: None for a steady drip, else the flow while the valve is open.
    """

    beds: dict[str, MemberBed]
    source_z: FloatArray
    flow_z: FloatArray
    tap_z: FloatArray
    on_flow_l_day: float | None = None

    def __len__(self) -> int:
        return len(self.source_z)

    def flow(
        self, flow_l_day: float, rel_sd: float
    ) -> tuple[FloatArray | float, FloatArray | float]:
        """Flow while water passes, L/day, and the share of time it does; per member if unsure."""
        mean: FloatArray | float = flow_l_day
        if rel_sd > 0.0:
            mean = flow_l_day * np.exp(float(log_sd(rel_sd)) * self.flow_z)
        if self.on_flow_l_day is None:
            return mean, 1.0
        passing = np.maximum(self.on_flow_l_day, mean)
        return passing, mean / passing

    def source_factor(self, rel_sd: float) -> FloatArray | float:
        """Factor on a past source level with this relative sd, median 1."""
        return np.exp(float(log_sd(rel_sd)) * self.source_z) if rel_sd > 0.0 else 1.0

    def tap_factor(self, rel_sd: float) -> FloatArray | float:
        """Factor on a source level from now on, median 1."""
        return np.exp(float(log_sd(rel_sd)) * self.tap_z) if rel_sd > 0.0 else 1.0

    def first(self, count: int) -> Uncertain:
        """The source and the flow of the first members, without their beds."""
        return Uncertain(
            {},
            self.source_z[:count],
            self.flow_z[:count],
            self.tap_z[:count],
            self.on_flow_l_day,
        )


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Where the past left the train.

    remaining: fraction of capacity left at the end, per cartridge, (members,). predicted: outlet
    at each reading, mg/L, in the order of the readings, (members,) each. sample_day: (s,);
    sampled_total_mg_l: (s, stages + 1, sampled members), index 0 being the tap.
    """

    remaining: dict[str, FloatArray]
    predicted: list[FloatArray]
    sample_day: FloatArray
    sampled_total_mg_l: FloatArray


def run_history(
    *,
    steps: BedSteps,
    layouts: Layouts,
    uncertain: Uncertain,
    readings: tuple[OutletReading, ...] = (),
    sample: NDArray[np.bool_] | None = None,
    sampled_members: int = 0,
) -> History:
    """Run the merged steps over all members at once.

    The steps must start and end at every placing and every reading within their span (give them to
    `merge_steps` as cuts), and start no later than the first reading. A bed is fresh when first
    placed. sample: (n,) marks the steps at whose start the outlet after every stage is kept for the
    first sampled_members members, with that step's mean flow and water. A cartridge without a bed
    passes the water on unchanged.
    """
    members = len(uncertain)
    remaining = {key: np.ones(members) for key in uncertain.beds}
    pending: dict[float, list[int]] = {}
    for index, reading in enumerate(readings):
        pending.setdefault(reading.day, []).append(index)
    predicted: list[FloatArray] = [np.empty(0)] * len(readings)
    stages = len(layouts.layouts[0].occupants)
    sample_day: list[float] = []
    sampled: list[FloatArray] = []

    def predict(day: float, step: int) -> None:
        for index in pending.pop(day, ()):
            predicted[index] = _predict(readings[index], layouts, uncertain, steps, step, remaining)

    for step in range(len(steps)):
        start = float(steps.start_day[step])
        if step == 0:
            predict(start, 0)
        occupants = layouts.at(start)
        keys = [key for key in occupants if key is not None and key in uncertain.beds]
        state = np.array([remaining[key] for key in keys]).reshape(len(keys), members)
        series = _run_step(
            state,
            [uncertain.beds[key] for key in keys],
            steps,
            step,
            uncertain,
            sampled=bool(sample is not None and sample[step]),
        )
        if series is not None and sample is not None and sample[step]:
            few = slice(0, sampled_members)
            before = np.array([remaining[key][few] for key in keys]).reshape(len(keys), -1)
            factor = uncertain.source_factor(float(steps.source_rel_sd[step]))
            factor = factor[few] if isinstance(factor, np.ndarray) else factor
            outlet = outlets_mg_l(
                before,
                series.take(few),
                free_mg_l=np.full(sampled_members, steps.free_mg_l[step]) * factor,
                combined_mg_l=np.full(sampled_members, steps.combined_mg_l[step]) * factor,
            )
            tap = np.full(sampled_members, steps.free_mg_l[step] + steps.combined_mg_l[step])
            totals = np.vstack([(tap * factor)[None], outlet[0] + outlet[1]])
            sampled.append(totals[beds_upstream(occupants, set(keys))])
            sample_day.append(start)
        for row, key in enumerate(keys):
            remaining[key] = state[row]
        predict(float(steps.end_day[step]), step)
    if pending:
        raise ValueError("every reading must lie at a cut of the steps")
    shape = (len(sampled), stages + 1, sampled_members)
    return History(remaining, predicted, np.array(sample_day), np.array(sampled).reshape(shape))


def beds_upstream(occupants: tuple[str | None, ...], with_bed: set[str]) -> NDArray[np.intp]:
    """How many beds the water has passed at the tap and after each stage, (stages + 1,)."""
    return np.cumsum([0, *(1 if key in with_bed else 0 for key in occupants)])


def _run_step(
    state: FloatArray,
    beds: list[MemberBed],
    steps: BedSteps,
    step: int,
    uncertain: Uncertain,
    *,
    sampled: bool,
) -> Series | None:
    """Advance the state through one step; the series at its flow where there was any need."""
    days = float(steps.end_day[step] - steps.start_day[step])
    mean_flow = float(steps.flow_l_day[step])
    flowing = mean_flow > 0.0
    if not flowing:
        ageing = np.array([[bed.spec.ageing_per_day] for bed in beds]).reshape(len(beds), 1)
        state *= np.exp(-ageing * days)
        if not sampled:
            return None
    shown_flow = mean_flow if flowing else float(steps.last_flow_l_day[step])
    if shown_flow <= 0.0:
        return None
    passing, share = uncertain.flow(shown_flow, float(steps.flow_rel_sd[step]))
    series = at_flow(beds, flow_l_day=passing, members=len(uncertain))
    if not flowing or not len(beds):
        return series
    factor = uncertain.source_factor(float(steps.source_rel_sd[step]))
    free, combined = float(steps.free_mg_l[step]), float(steps.combined_mg_l[step])
    substeps = 1
    if (free > 0.0 and combined > 0.0) or series.ages:
        few = slice(0, 256)
        level = np.broadcast_to(np.asarray(factor * share), (len(uncertain),))[few]
        quiet = quiet_days(
            state[:, few], series.take(few), free_mg_l=free * level, combined_mg_l=combined * level
        )
        substeps = min(MOST_SUBSTEPS, max(1, math.ceil(days / float(quiet.min()))))
    run(
        state,
        series,
        free_dose_mg_day_l=free * days * share * factor if free > 0.0 else None,
        combined_dose_mg_day_l=combined * days * share * factor if combined > 0.0 else None,
        days=days,
        substeps=substeps,
    )
    return series


def _predict(
    reading: OutletReading,
    layouts: Layouts,
    uncertain: Uncertain,
    steps: BedSteps,
    step: int,
    remaining: dict[str, FloatArray],
) -> FloatArray:
    """Outlet that each member expects at a reading taken at the end of a step, mg/L."""
    before = layouts.at(math.nextafter(reading.day, -math.inf))[: reading.after_stage]
    if not any(before):
        before = layouts.at(reading.day)[: reading.after_stage]
    keys = [key for key in before if key is not None and key in uncertain.beds]
    factor = uncertain.source_factor(float(steps.last_source_rel_sd[step]))
    free = np.full(len(uncertain), steps.last_free_mg_l[step]) * factor
    combined = np.full(len(uncertain), steps.last_combined_mg_l[step]) * factor
    flow = float(steps.last_flow_l_day[step])
    if keys and flow > 0.0:
        passing, _ = uncertain.flow(flow, float(steps.last_flow_rel_sd[step]))
        series = at_flow(
            [uncertain.beds[key] for key in keys], flow_l_day=passing, members=len(uncertain)
        )
        state = np.array([remaining[key] for key in keys])
        frees, combineds = outlets_mg_l(state, series, free_mg_l=free, combined_mg_l=combined)
        free, combined = frees[-1], combineds[-1]
    return free if reading.species == "free" else free + combined
