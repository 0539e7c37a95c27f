"""Beds in series over the members of an ensemble, advanced in place.

State: an array of fractions of capacity left, shape (beds, members), in the order of flow.
Mathematics: see `bed`. Free and combined chlorine are passed through the whole series in turn
(half free, all combined, half free), each exactly, so the splitting is of second order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import FloatArray
from .bed import leaked
from .bed_spec import BedSpec

IndexArray = NDArray[np.intp] | NDArray[np.bool_]

SPLIT_DEPTH = 0.5
"""Largest change of b S in one two-species sub-step near break-through (measured: error of the day
below 0.1 %)."""
NEAR_DEPTH = 8.0
"""b S above which a bed hides everything (e^-8 = 0.03 %), so that larger sub-steps do no harm."""
SPENT_DEPTH = 0.02
AGEING_PER_SUBSTEP = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class MemberBed:
    """One kind of bed over members: BedSpec with the uncertain factors applied.

    capacity_mg, rate_free_l_mg_day, rate_combined_l_mg_day, flow_exponent: shape (members,).
    """

    spec: BedSpec
    capacity_mg: FloatArray
    rate_free_l_mg_day: FloatArray
    rate_combined_l_mg_day: FloatArray
    flow_exponent: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Beds in series at one flow; all arrays (beds, members).

    units_*: transfer units b_j = k_j M/Q; wear_*: w_j k_j, L/(mg day); ageing: per day, (beds, 1).
    """

    units_free: FloatArray
    wear_free: FloatArray
    units_combined: FloatArray
    wear_combined: FloatArray
    ageing: FloatArray

    @property
    def ages(self) -> bool:
        """Whether any bed loses capacity by age alone."""
        return bool((self.ageing > 0.0).any())

    def take(self, members: IndexArray | slice) -> Series:
        """The same beds for some of the members."""
        return Series(
            self.units_free[:, members],
            self.wear_free[:, members],
            self.units_combined[:, members],
            self.wear_combined[:, members],
            self.ageing,
        )

    def upto(self, beds: int) -> Series:
        """The first beds of the series."""
        rows = slice(0, beds)
        return Series(
            self.units_free[rows],
            self.wear_free[rows],
            self.units_combined[rows],
            self.wear_combined[rows],
            self.ageing[rows],
        )


def at_flow(beds: list[MemberBed], *, flow_l_day: FloatArray | float, members: int) -> Series:
    """The series at the flow while water passes, L/day, > 0, a scalar or (members,).

    k = k_r (Q/Q_r)^n, hence b = k M/Q goes as Q^(n - 1).
    """
    count = len(beds)
    units_free, wear_free = np.empty((count, members)), np.empty((count, members))
    units_combined, wear_combined = np.empty((count, members)), np.empty((count, members))
    log_flow = np.log(flow_l_day)
    for row, bed in enumerate(beds):
        spec = bed.spec
        capacity_days = bed.capacity_mg / flow_l_day
        free_rate, combined_rate = bed.rate_free_l_mg_day, bed.rate_combined_l_mg_day
        if spec.free_flow_l_day is not None:
            gain = np.exp(bed.flow_exponent * (log_flow - np.log(spec.free_flow_l_day)))
            free_rate = free_rate * gain
            if spec.combined_flow_l_day == spec.free_flow_l_day:
                combined_rate = combined_rate * gain
        if spec.combined_flow_l_day not in (None, spec.free_flow_l_day):
            combined_rate = combined_rate * np.exp(
                bed.flow_exponent * (log_flow - np.log(spec.combined_flow_l_day))
            )
        units_free[row], wear_free[row] = free_rate * capacity_days, free_rate
        units_combined[row] = combined_rate * capacity_days
        wear_combined[row] = combined_rate * spec.weight_combined
    ageing = np.array([[bed.spec.ageing_per_day] for bed in beds]).reshape(count, 1)
    return Series(units_free, wear_free, units_combined, wear_combined, ageing)


def _one_species(
    remaining: FloatArray, units: FloatArray, wear: FloatArray, dose: FloatArray | float
) -> None:
    for row in range(len(remaining)):
        effect = np.asarray(wear[row] * dose)
        out = leaked(effect, units[row] * remaining[row])
        remaining[row] -= (effect - out) / units[row]
        np.maximum(remaining[row], 0.0, out=remaining[row])
        if out.max(initial=0.0) < 1e-20:
            return
        dose = out / wear[row]


def run(
    remaining: FloatArray,
    series: Series,
    *,
    free_dose_mg_day_l: FloatArray | float | None,
    combined_dose_mg_day_l: FloatArray | float | None,
    days: FloatArray | float,
    substeps: int = 1,
) -> None:
    """Advance `remaining` in place through a period of constant flow.

    Doses at the inlet of the first bed, >= 0, scalar or (members,), None for a species that is not
    there; days: length of the period (for ageing only). One species without ageing is exact in one
    sub-step, whatever `substeps` says.
    """
    free, combined, ages = free_dose_mg_day_l, combined_dose_mg_day_l, series.ages
    if not ages and (free is None or combined is None):
        substeps = 1
    decay = np.exp(-series.ageing * days / (2 * substeps)) if ages else None
    free_part = None if free is None else free / substeps
    combined_part = None if combined is None else combined / substeps
    both = free_part is not None and combined_part is not None
    for part in range(substeps):
        if decay is not None:
            remaining *= decay
        if free_part is not None:
            share = 0.5 if both and (ages or part == 0) else 1.0
            _one_species(remaining, series.units_free, series.wear_free, share * free_part)
        if combined_part is not None:
            _one_species(remaining, series.units_combined, series.wear_combined, combined_part)
        if both and free_part is not None and (ages or part == substeps - 1):
            _one_species(remaining, series.units_free, series.wear_free, 0.5 * free_part)
        if decay is not None:
            remaining *= decay


def outlets_mg_l(
    remaining: FloatArray,
    series: Series,
    *,
    free_mg_l: FloatArray | float,
    combined_mg_l: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Free and combined chlorine after each bed at this instant, each (beds, members)."""
    free_depth = np.cumsum(series.units_free * remaining, axis=0)
    combined_depth = np.cumsum(series.units_combined * remaining, axis=0)
    return free_mg_l * np.exp(-free_depth), combined_mg_l * np.exp(-combined_depth)


def quiet_days(
    remaining: FloatArray,
    series: Series,
    *,
    free_mg_l: FloatArray | float,
    combined_mg_l: FloatArray | float,
) -> FloatArray:
    """How long a sub-step may be where exact jumps do not suffice, per member; inf = any length.

    Two species: b S of no bed and species may fall by more than SPLIT_DEPTH, or by that share of
    its height above NEAR_DEPTH; spent beds do not count. Ageing: at most AGEING_PER_SUBSTEP. The
    levels are mg/L times the share of the time that water passes.
    """
    free = np.broadcast_to(free_mg_l, remaining.shape[1:])
    combined = np.broadcast_to(combined_mg_l, remaining.shape[1:])
    quiet = np.full(remaining.shape[1:], np.inf)
    both = (free > 0.0) & (combined > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        if both.any():
            rate_combined = series.wear_free * series.units_combined / series.units_free
            used = free + series.wear_combined / rate_combined * combined
            for units, rate in (
                (series.units_free, series.wear_free),
                (series.units_combined, rate_combined),
            ):
                depth = units * remaining
                room = np.where(
                    depth > SPENT_DEPTH, SPLIT_DEPTH * np.maximum(1.0, depth - NEAR_DEPTH), np.inf
                )
                quiet = np.minimum(quiet, (room / (rate * used)).min(axis=0))
            quiet = np.where(both, quiet, np.inf)
        if series.ages:
            quiet = np.minimum(quiet, AGEING_PER_SUBSTEP / float(series.ageing.max()))
    return quiet
