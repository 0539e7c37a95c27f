"""All that the estimate of a stage draws on, and how an ensemble is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .arrays import FloatArray
from .bed_spec import BedSpec
from .ensemble import Members, weighted_quantiles
from .forecast import Future
from .history import History, Uncertain
from .layout import Layouts
from .segments import Segments
from .series import Series, outlets_mg_l
from .train_data import Quantiles, TrainInputs

SHARES = (0.1, 0.5, 0.9)


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """All that the estimate of a stage draws on. Arrays (members,) or (beds, members).

    bed_keys, remaining, series: the beds in place now, in the order of flow, at the future flow.
    exceedance_days: (beds + 1, members), index 0 the tap.
    """

    inputs: TrainInputs
    now_day: float
    layouts: Layouts
    specs: dict[str, BedSpec]
    members: Members
    weight: FloatArray
    uncertain: Uncertain
    history: History
    future: Future
    bed_keys: list[str]
    remaining: FloatArray
    series: Series
    dose_share: FloatArray | float
    exceedance_days: FloatArray
    curve_members: int
    curve_points: int

    def quantiles(self, values: FloatArray, *, planned: FloatArray | None = None) -> Quantiles:
        """P10, P50, P90 and the planned share of one value per member.

        planned: days to plan by, NaN in members that are not to be planned for (all of them when
        the rest carry no weight); None: the values themselves.
        """
        low, middle, high = weighted_quantiles(values, self.weight, SHARES)
        days, weight = values, self.weight
        if planned is not None:
            counted = np.where(np.isnan(planned), 0.0, weight)
            if counted.sum() > 0.0:
                days, weight = np.nan_to_num(planned, nan=np.inf, posinf=np.inf), counted
        share = weighted_quantiles(days, weight, self.inputs.plan_share)[0]
        return Quantiles(float(low), float(middle), float(high), float(share))

    def outlets_now(self, *, fresh: Sequence[str] = ()) -> tuple[FloatArray, FloatArray]:
        """Free and combined chlorine at the tap and after each bed now, (beds + 1, members).

        fresh: keys of cartridges that are taken as new, all else as it is.
        """
        state = self.remaining.copy()
        for key in fresh:
            state[self.bed_keys.index(key)] = 1.0
        factor = self.uncertain.tap_factor(float(self.future.rel_sd[0]))
        ones = np.ones(len(self.members))
        free = self.future.free_mg_l[0] * ones * factor
        combined = self.future.combined_mg_l[0] * ones * factor
        after = outlets_mg_l(state, self.series, free_mg_l=free, combined_mg_l=combined)
        return np.vstack([free[None], after[0]]), np.vstack([combined[None], after[1]])


def litres_through(
    segments: Segments,
    periods: list[tuple[float, float]],
    *,
    until_day: float,
    tail_flow_l_day: float,
) -> float:
    """Litres in the given periods; after the last segment the tail flow passes until until_day."""
    covered = float(segments.end_day[-1]) if len(segments) else -np.inf
    litres = 0.0
    for start, end in periods:
        if end > start:
            litres += segments.between(start_day=start, end_day=end).total_l
            litres += tail_flow_l_day * max(0.0, min(end, until_day) - max(start, covered))
    return litres
