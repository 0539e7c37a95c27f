"""Trains whose renewals the tests of the plan look at, and a plain simulation of them.

The simulation knows nothing of ensembles, series or forecasts: numbers, not arrays, stepped from
day to day with the update of one bed, and the moment within the day found by halving.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from cartridges.physics.bed import advance_two
from cartridges.physics.bed_spec import BedSpec, bed_spec
from cartridges.physics.levels import SourceSteps
from cartridges.physics.plan import Policy, Renewals, simulate_renewals
from cartridges.physics.segments import Segments
from cartridges.physics.train import Medium, Placing, TrainInputs

from .scenarios import CARBON, certain, segments

NOTHING = Segments(*(np.zeros(0) for _ in range(5)))


def water(*periods: tuple[float, float, float], end_day: float = 8000.0) -> SourceSteps:
    """(start, free, combined) periods from day 0, nothing uncertain."""
    start, free, combined = (np.array(column) for column in zip(*periods, strict=True))
    return SourceSteps(start, np.append(start[1:], end_day), free, combined, np.zeros(len(start)))


def new_train(
    *media: Medium,
    flow_l_day: float = 300.0,
    source: SourceSteps | None = None,
    limit_mg_l: float = 0.1,
    exponent: float = 0.0,
) -> TrainInputs:
    """All cartridges put in on day 0, today; nothing uncertain but what a sediment stage holds."""
    ahead = water((0.0, 2.0, 0.0)) if source is None else source
    inputs = TrainInputs(
        stage_count=len(media),
        placings=tuple(
            Placing(0.0, stage, f"c{stage}", medium) for stage, medium in enumerate(media, start=1)
        ),
        segments=NOTHING,
        future_flow_l_day=flow_l_day,
        future_flow_rel_sd=0.0,
        source_past=ahead,
        source_future=ahead,
        limit_mg_l=limit_mg_l,
    )
    return certain(inputs, exponent=exponent)


def worn_train(
    *media: Medium, past_days: int, flow_l_day: float = 300.0, source: SourceSteps | None = None
) -> TrainInputs:
    """The same, put in on day 0 and used for past_days."""
    inputs = new_train(*media, flow_l_day=flow_l_day, source=source)
    return replace(inputs, segments=segments(np.full(past_days, flow_l_day)))


def uncertain(inputs: TrainInputs, *, flow: float = 0.05, tap: float = 0.15) -> TrainInputs:
    """The same train with the usual uncertainty."""

    def unsure(steps: SourceSteps) -> SourceSteps:
        return replace(steps, rel_sd=np.full(len(steps), tap))

    return replace(
        inputs,
        future_flow_rel_sd=flow,
        source_past=unsure(inputs.source_past),
        source_future=unsure(inputs.source_future),
        capacity_cv=0.30,
        rate_cv=0.40,
    )


def plan(
    inputs: TrainInputs,
    policy: Policy = "lead_lag",
    *,
    now_day: float = 0.0,
    horizon_days: float = 730.0,
    members: int = 16,
) -> Renewals:
    return simulate_renewals(
        inputs, now_day=now_day, policy=policy, horizon_days=horizon_days, members=members
    )


def spec_of(medium: Medium) -> BedSpec:
    """The bed of a medium whose rate does not change with the flow."""
    spec = bed_spec(medium=medium, combined_in_water=True)
    assert spec is not None
    return spec


@dataclass
class PlainTrain:
    """Carbons in series at one flow, numbers only, n = 0."""

    specs: list[BedSpec]
    flow_l_day: float
    levels: Callable[[float], tuple[float, float]]
    substeps: int = 1

    def advanced(self, left: Sequence[float], start_day: float, days: float) -> list[float]:
        """The fractions of capacity left after so many days of one water."""
        free, combined = (level * days for level in self.levels(start_day))
        after = []
        for spec, s in zip(self.specs, left, strict=True):
            passed = advance_two(
                s,
                free_dose_mg_day_l=free,
                combined_dose_mg_day_l=combined,
                transfer_units_free=spec.rate_free_l_mg_day * spec.capacity_mg / self.flow_l_day,
                transfer_units_combined=spec.rate_combined_l_mg_day
                * spec.capacity_mg
                / self.flow_l_day,
                rate_free_l_mg_day=spec.rate_free_l_mg_day,
                rate_combined_l_mg_day=spec.rate_combined_l_mg_day,
                weight_combined=spec.weight_combined,
                substeps=self.substeps,
            )
            after.append(float(passed.remaining))
            free = float(passed.free_out_mg_day_l)
            combined = float(passed.combined_out_mg_day_l)
        return after

    def outlet_mg_l(self, left: Sequence[float], day: float, beds: int) -> float:
        """Total chlorine after the first beds."""
        free, combined = self.levels(day)
        for spec, s in zip(self.specs[:beds], left[:beds], strict=True):
            free *= np.exp(-spec.rate_free_l_mg_day * spec.capacity_mg / self.flow_l_day * s)
            combined *= np.exp(
                -spec.rate_combined_l_mg_day * spec.capacity_mg / self.flow_l_day * s
            )
        return float(free + combined)

    def swaps(
        self, *, limit_mg_l: float, watched: int, rotates: bool, until_day: float
    ) -> list[tuple[float, float]]:
        """(day, fraction left of the first bed that goes out) at each swap, from fresh beds.

        watched: beds before the tap that is watched. rotates: the first goes out and the others
        move forward; else all go out.
        """
        left = [1.0] * len(self.specs)
        day, swaps = 0.0, []
        while day < until_day:
            step = np.floor(day + 1.0) - day
            after = self.advanced(left, day, step)
            if self.outlet_mg_l(after, day, watched) <= limit_mg_l:
                left, day = after, day + step
                if self.outlet_mg_l(left, day, watched) <= limit_mg_l:
                    continue
            else:
                low, high = 0.0, step
                for _ in range(40):
                    middle = 0.5 * (low + high)
                    over = self.outlet_mg_l(self.advanced(left, day, middle), day, watched)
                    low, high = (low, middle) if over > limit_mg_l else (middle, high)
                left, day = self.advanced(left, day, high), day + high
            if day < until_day:
                swaps.append((day, left[0]))
            left = [*left[1:], 1.0] if rotates else [1.0] * len(left)
        return swaps


def weak_carbon(*, transfer_units: float, flow_l_day: float, capacity_mg: float) -> Medium:
    """A carbon of so many transfer units at a flow, the same for free chlorine and chloramine."""
    rate = transfer_units * flow_l_day / capacity_mg
    return replace(
        CARBON,
        key=f"b{transfer_units:g}",
        capacity_mg=capacity_mg,
        rate_free_l_mg_day=rate,
        rate_combined_l_mg_day=rate,
        flow_exponent=0.0,
    )
