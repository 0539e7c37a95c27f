"""What a flow restrictor passes at a given supply pressure and water temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .arrays import FloatArray, equally_long, vector
from .units import KPA_PER_PSI
from .water import viscosity_mpa_s

# Pressure and temperature at which a restrictor's flow is stated, unless the package says
# otherwise. Common practice, no source.
RATED_PRESSURE_KPA: Final = 60 * KPA_PER_PSI
RATED_TEMPERATURE_C: Final = 25.0


@dataclass(frozen=True, slots=True)
class FlowLaw:
    """Exponent x of q ∝ ΔP^x, and whether the flow is laminar (q ∝ 1/viscosity)."""

    exponent: float
    laminar: bool


FLOW_LAWS: Final[dict[str, FlowLaw]] = {
    "orifice": FlowLaw(exponent=0.5, laminar=False),
    "capillary": FlowLaw(exponent=1.0, laminar=True),
    "pressure_compensating": FlowLaw(exponent=0.0, laminar=False),
}


@dataclass(frozen=True, slots=True)
class Restrictor:
    """A restrictor in service from `fitted_day` until the next one is fitted.

    rated_flow_l_day: L/day at rated_pressure_kpa, both above 0. exponent: x of q ∝ ΔP^x, from
    0 to 1. laminar: whether the flow also goes as 1/viscosity. Anything else is a ValueError.
    """

    fitted_day: float
    rated_flow_l_day: float
    rated_pressure_kpa: float = RATED_PRESSURE_KPA
    exponent: float = FLOW_LAWS["capillary"].exponent
    laminar: bool = FLOW_LAWS["capillary"].laminar

    def __post_init__(self) -> None:
        if not np.isfinite(self.fitted_day):
            raise ValueError("fitted_day must be finite")
        if not 0 < self.rated_flow_l_day < np.inf:
            raise ValueError("a restrictor's rated flow must be above 0")
        if not 0 < self.rated_pressure_kpa < np.inf:
            raise ValueError("a restrictor's rated pressure must be above 0")
        if not 0 <= self.exponent <= 1:
            raise ValueError("a restrictor's pressure exponent must be from 0 to 1")


def restricted_flow_l_day(
    *,
    restrictor: Restrictor,
    pressure_kpa: ArrayLike,
    temperature_c: ArrayLike,
    rated_temperature_c: float = RATED_TEMPERATURE_C,
) -> FloatArray:
    """Flow through a restrictor that drips to the open air, L/day.

    q = q_rated · (ΔP / ΔP_rated)^x · (viscosity_rated / viscosity)^y, y = 1 where the flow is
    laminar and 0 otherwise.

    pressure_kpa: pressure drop across it, that is the supply's gauge pressure, kPa.
    temperature_c: °C. They broadcast. No pressure, or suction, gives 0 whatever the exponent.
    NaN, and a temperature outside the range of `viscosity_mpa_s`, give NaN.
    Source: the emitter law q = c · h^x; the 1/viscosity of laminar flow is Hagen-Poiseuille.
    """
    return _law(
        rated_flow_l_day=np.float64(restrictor.rated_flow_l_day),
        rated_pressure_kpa=np.float64(restrictor.rated_pressure_kpa),
        exponent=np.float64(restrictor.exponent),
        laminar=np.bool_(restrictor.laminar),
        pressure_kpa=pressure_kpa,
        temperature_c=temperature_c,
        rated_temperature_c=rated_temperature_c,
    )


def stage_drop_kpa(
    *,
    restrictor: Restrictor,
    flow_l_day: ArrayLike,
    pressure_kpa: ArrayLike,
    temperature_c: ArrayLike,
    rated_temperature_c: float = RATED_TEMPERATURE_C,
) -> FloatArray:
    """Pressure lost before the restrictor, kPa, from a flow that has fallen below its law.

    The law of `restricted_flow_l_day` solved for the restrictor's own drop, taken from the
    supply's gauge pressure `pressure_kpa`; the rest is lost in the stages before it.
    flow_l_day: measured L/day. The arguments broadcast. NaN for a pressure-compensating
    restrictor (its flow says nothing of pressure), a negative flow, or NaN anywhere.
    """
    flow = np.asarray(flow_l_day, dtype=np.float64)
    rated_now = np.float64(restrictor.rated_flow_l_day) * (
        viscosity_mpa_s(temperature_c=rated_temperature_c)
        / viscosity_mpa_s(temperature_c=temperature_c)
    ) ** float(restrictor.laminar)
    if restrictor.exponent == 0:
        return np.full(np.broadcast_shapes(flow.shape, rated_now.shape), np.nan)
    share = np.where(flow >= 0, flow, np.nan) / rated_now
    own_drop = restrictor.rated_pressure_kpa * share ** (1 / restrictor.exponent)
    return np.asarray(np.asarray(pressure_kpa, dtype=np.float64) - own_drop)


def _law(
    *,
    rated_flow_l_day: FloatArray | np.float64,
    rated_pressure_kpa: FloatArray | np.float64,
    exponent: FloatArray | np.float64,
    laminar: NDArray[np.bool_] | np.bool_,
    pressure_kpa: ArrayLike,
    temperature_c: ArrayLike,
    rated_temperature_c: float = RATED_TEMPERATURE_C,
) -> FloatArray:
    """The law of `restricted_flow_l_day` over arrays of restrictors."""
    pressure = np.asarray(pressure_kpa, dtype=np.float64)
    thinning = viscosity_mpa_s(temperature_c=rated_temperature_c) / viscosity_mpa_s(
        temperature_c=temperature_c
    )
    pushed = (np.maximum(pressure, 0.0) / rated_pressure_kpa) ** exponent
    pushed = np.where(pressure > 0, pushed, np.where(np.isnan(pressure), np.nan, 0.0))
    known = np.where(np.isnan(thinning), np.nan, 1.0)
    return np.asarray(rated_flow_l_day * pushed * np.where(laminar, thinning, known))


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """A dated value that holds until the next one; the first also holds before its day.

    day, value: finite, shape (n,), n at least 1, in any order (they are sorted). Two different
    values on one day, or anything else, raise ValueError.
    """

    day: FloatArray
    value: FloatArray

    def __post_init__(self) -> None:
        day, value = vector("day", self.day), vector("value", self.value)
        equally_long(day=day, value=value)
        if not len(day):
            raise ValueError("at least one dated value is needed")
        if not (np.isfinite(day).all() and np.isfinite(value).all()):
            raise ValueError("days and values must be finite")
        order = np.lexsort((value, day))
        day, value = day[order], value[order]
        same = day[1:] == day[:-1]
        if (same & (value[1:] != value[:-1])).any():
            raise ValueError("two different values are given for one moment")
        kept = np.concatenate(([True], ~same))
        object.__setattr__(self, "day", vector("day", day[kept]))
        object.__setattr__(self, "value", vector("value", value[kept]))

    def at(self, days: ArrayLike) -> FloatArray:
        """The value that holds at each of `days`; shape of `days`. NaN days give NaN."""
        asked = np.asarray(days, dtype=np.float64)
        index = np.maximum(np.searchsorted(self.day, asked, side="right") - 1, 0)
        return np.where(np.isnan(asked), np.nan, self.value[index])


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """The flow that the restrictors in service would pass, at any day.

    `fitted_day` is sorted; before the first of them the first restrictor's law is carried back
    by `flow_l_day`, and `which` says -1 there.
    """

    restrictors: tuple[Restrictor, ...]
    fitted_day: FloatArray
    pressure_kpa: Steps
    temperature_c: Steps

    def which(self, days: FloatArray) -> NDArray[np.intp]:
        """Index of the restrictor in service at each day; -1 before the first."""
        return np.searchsorted(self.fitted_day, days, side="right") - 1

    def flow_l_day(self, days: FloatArray) -> FloatArray:
        """Expected flow at each day, L/day, shape of `days`; at least one restrictor needed."""
        index = np.maximum(self.which(days), 0)
        fitted = self.restrictors
        return _law(
            rated_flow_l_day=np.array([r.rated_flow_l_day for r in fitted])[index],
            rated_pressure_kpa=np.array([r.rated_pressure_kpa for r in fitted])[index],
            exponent=np.array([r.exponent for r in fitted])[index],
            laminar=np.array([r.laminar for r in fitted])[index],
            pressure_kpa=self.pressure_kpa.at(days),
            temperature_c=self.temperature_c.at(days),
        )


def expected_flow(
    *, restrictors: tuple[Restrictor, ...], pressure_kpa: Steps, temperature_c: Steps
) -> Expected:
    """Put the restrictors in order of fitting. Two different ones at one moment: ValueError."""
    ordered = sorted(set(restrictors), key=lambda restrictor: restrictor.fitted_day)
    days = vector("fitted_day", [restrictor.fitted_day for restrictor in ordered])
    if (days[1:] == days[:-1]).any():
        raise ValueError("two different restrictors are fitted at one moment")
    if np.isnan(viscosity_mpa_s(temperature_c=temperature_c.value)).any():
        raise ValueError("a water temperature is outside the range of liquid tap water")
    return Expected(tuple(ordered), days, pressure_kpa, temperature_c)
