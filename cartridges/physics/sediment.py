"""The sediment stage: dirt held, resistance to flow, and the calendar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .arrays import FloatArray, equally_long, vector
from .units import L_PER_M3, PA_PER_KPA, PA_S_PER_MPA_S, S_PER_DAY
from .water import viscosity_mpa_s

# Milligrams of suspended solids in a litre for each NTU. Common practice, no source: ratios
# from about 0.7 to 2.2 are in use, so it carries a wide lognormal factor.
SOLIDS_MG_L_PER_NTU: Final = 1.3
SOLIDS_PER_NTU_CV: Final = 0.5
# Error of one pressure drop read from two home gauges. Common practice, no source.
GAUGE_SD_KPA: Final = 3.5
# The growth of resistance must stand this many standard errors above none to be believed.
TELLING_STANDARD_ERRORS: Final = 2.0


def resistance_per_m3(
    *, drop_kpa: ArrayLike, flow_l_day: ArrayLike, temperature_c: ArrayLike
) -> FloatArray:
    """Resistance R = ΔP / (μ Q) of an element, 1/m³.

    drop_kpa: pressure drop across it, kPa. flow_l_day: L/day, above 0. temperature_c: °C.
    The arguments broadcast. NaN, and a flow of 0 or below, give NaN. A drop below 0 (gauge
    noise) gives a resistance below 0. Source: Darcy's law, the definition.
    """
    drop_pa = np.asarray(drop_kpa, dtype=np.float64) * PA_PER_KPA
    return np.asarray(drop_pa / _viscous_flow(flow_l_day=flow_l_day, temperature_c=temperature_c))


def drop_kpa(
    *, resistance_per_m3: ArrayLike, flow_l_day: ArrayLike, temperature_c: ArrayLike
) -> FloatArray:
    """Pressure drop R μ Q across an element, kPa: the inverse of `resistance_per_m3`."""
    viscous = _viscous_flow(flow_l_day=flow_l_day, temperature_c=temperature_c)
    return np.asarray(np.asarray(resistance_per_m3, dtype=np.float64) * viscous / PA_PER_KPA)


def _viscous_flow(*, flow_l_day: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """μ Q in Pa·m³; NaN where the flow is not above 0."""
    flow = np.asarray(flow_l_day, dtype=np.float64)
    flow_m3_s = np.where(flow > 0, flow, np.nan) / L_PER_M3 / S_PER_DAY
    return np.asarray(viscosity_mpa_s(temperature_c=temperature_c) * PA_S_PER_MPA_S * flow_m3_s)


@dataclass(frozen=True, slots=True)
class RuthLine:
    """t/V = slope · V + intercept: slope K_p/2 in s/m⁶, intercept B in s/m³."""

    slope_s_m6: float
    intercept_s_m3: float


def ruth_line(*, t_s: ArrayLike, volume_m3: ArrayLike) -> RuthLine:
    """The straight line of t/V against V by least squares (constant-pressure cake filtration).

    t_s: seconds since the start, shape (n,). volume_m3: m³ of filtrate by then, shape (n,),
    above 0, at least two different ones. Otherwise, or for anything not finite, ValueError.
    Source: Ruth's equation, Geankoplis, Transport Processes and Unit Operations, section 14.2.
    """
    seconds, volume = vector("t_s", t_s), vector("volume_m3", volume_m3)
    equally_long(t_s=seconds, volume_m3=volume)
    if not (np.isfinite(seconds).all() and np.isfinite(volume).all() and (volume > 0).all()):
        raise ValueError("times and volumes must be finite, volumes above 0")
    if len(np.unique(volume)) < 2:
        raise ValueError("a line needs two different volumes")
    slope, intercept = np.polyfit(volume, seconds / volume, 1)
    return RuthLine(slope_s_m6=float(slope), intercept_s_m3=float(intercept))


def specific_cake_resistance_m_kg(
    *,
    slope_s_m6: float,
    area_m2: float,
    drop_kpa: float,
    viscosity_mpa_s: float,
    solids_kg_m3: float,
) -> float:
    """Specific cake resistance α = K_p A² ΔP / (μ c_s) with K_p twice the slope, m/kg.

    slope_s_m6: of `ruth_line`. area_m2: filter area. drop_kpa: constant pressure drop.
    viscosity_mpa_s: of the filtrate. solids_kg_m3: solids per volume of filtrate. All above 0;
    NaN gives NaN. Source: Geankoplis, section 14.2.
    """
    drop_pa = drop_kpa * PA_PER_KPA
    viscosity_pa_s = viscosity_mpa_s * PA_S_PER_MPA_S
    return 2 * slope_s_m6 * area_m2**2 * drop_pa / (viscosity_pa_s * solids_kg_m3)


def medium_resistance_per_m(
    *, intercept_s_m3: float, area_m2: float, drop_kpa: float, viscosity_mpa_s: float
) -> float:
    """Resistance of the clean medium R_m = B A ΔP / μ, 1/m.

    intercept_s_m3: of `ruth_line`; the rest as in `specific_cake_resistance_m_kg`. NaN gives
    NaN. Source: Geankoplis, section 14.2.
    """
    drop_pa = drop_kpa * PA_PER_KPA
    return intercept_s_m3 * area_m2 * drop_pa / (viscosity_mpa_s * PA_S_PER_MPA_S)


@dataclass(frozen=True, slots=True)
class ResistanceFit:
    """R(V) = clean + growth · V, with V in litres passed since the stage was fitted.

    `tells` is False when the growth does not stand out from the gauges' error: the figures are
    then no ground for a forecast. With one pair, growth is NaN and its error inf.
    """

    clean_per_m3: float
    growth_per_m3_l: float
    growth_sd_per_m3_l: float
    pairs: int
    tells: bool


def fit_resistance(
    *,
    volume_l: ArrayLike,
    drop_kpa: ArrayLike,
    flow_l_day: ArrayLike,
    temperature_c: ArrayLike,
    gauge_sd_kpa: float = GAUGE_SD_KPA,
) -> ResistanceFit:
    """Growth of resistance with filtered volume, from pressure pairs: weighted least squares.

    volume_l: litres through the stage since it was fitted, shape (n,). drop_kpa: before minus
    after, shape (n,). flow_l_day: at that moment, above 0, shape (n,). temperature_c: scalar or
    shape (n,). gauge_sd_kpa: error of one drop, above 0; each pair weighs by the resistance
    error it makes, so pairs taken at a high flow count for more. The standard error is the
    larger of what the gauges explain and what the scatter about the line shows.
    Pairs at one volume only give NaN growth and `tells` False. No pair, unequal lengths or
    anything not finite raises ValueError.
    Source: the linear law is Ruth's (cake filtration at growing cake mass).
    """
    volume, drop = vector("volume_l", volume_l), vector("drop_kpa", drop_kpa)
    flow = vector("flow_l_day", flow_l_day)
    equally_long(volume_l=volume, drop_kpa=drop, flow_l_day=flow)
    if not len(volume):
        raise ValueError("no pressure pair to fit")
    resistance = resistance_per_m3(drop_kpa=drop, flow_l_day=flow, temperature_c=temperature_c)
    if not (np.isfinite(volume).all() and np.isfinite(resistance).all() and gauge_sd_kpa > 0):
        raise ValueError("volumes, drops and temperatures must be finite, flows above 0")
    sd = resistance_per_m3(drop_kpa=gauge_sd_kpa, flow_l_day=flow, temperature_c=temperature_c)
    weight = (sd.min() / sd) ** 2
    centre = float(np.average(volume, weights=weight))
    mean = float(np.average(resistance, weights=weight))
    spread = float(np.sum(weight * (volume - centre) ** 2))
    if spread <= 0:
        return ResistanceFit(mean, np.nan, np.inf, len(volume), tells=False)
    growth = float(np.sum(weight * (volume - centre) * (resistance - mean)) / spread)
    residual = resistance - mean - growth * (volume - centre)
    growth_sd = float(sd.min()) / np.sqrt(spread)
    if len(volume) > 2:
        scatter = np.sqrt(np.sum(weight * residual**2) / (len(volume) - 2) / spread)
        growth_sd = max(growth_sd, scatter)
    return ResistanceFit(
        clean_per_m3=mean - growth * centre,
        growth_per_m3_l=growth,
        growth_sd_per_m3_l=float(growth_sd),
        pairs=len(volume),
        tells=bool(growth > TELLING_STANDARD_ERRORS * growth_sd),
    )


def dirt_life(
    *,
    dirt_capacity_g: ArrayLike | None,
    turbidity_ntu: ArrayLike | None,
    flow_l_day: ArrayLike,
    passed_l: ArrayLike,
    solids_mg_l_per_ntu: ArrayLike = SOLIDS_MG_L_PER_NTU,
) -> FloatArray:
    """Days until the rated load of dirt is held: (capacity/solids - passed) / flow, from now.

    dirt_capacity_g: grams the cartridge is rated to hold. turbidity_ntu: of the inlet water.
    flow_l_day: L/day from now on. passed_l: litres through it since it was fitted.
    solids_mg_l_per_ntu: mg/L of solids for each NTU (common practice, no source). All of it is
    taken as held. The arguments broadcast, so any of them may vary over ensemble members.
    0 when the load is already reached; inf when capacity or turbidity is unknown (None or NaN),
    the water is clear, or nothing flows.
    """
    flow = np.asarray(flow_l_day, dtype=np.float64)
    passed = np.asarray(passed_l, dtype=np.float64)
    capacity_mg = _or_nan(dirt_capacity_g) * 1000
    solids_mg_l = _or_nan(turbidity_ntu) * np.asarray(solids_mg_l_per_ntu, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        holds_l = np.where(solids_mg_l > 0, capacity_mg / solids_mg_l, np.inf)
    return _days_to_volume(np.where(np.isnan(holds_l), np.inf, holds_l), passed, flow)


def resistance_life(
    *,
    fit: ResistanceFit | None,
    limit_kpa: float | None,
    flow_l_day: ArrayLike,
    passed_l: ArrayLike,
    temperature_c: float,
    growth_z: ArrayLike = 0.0,
) -> FloatArray:
    """Days until the pressure drop reaches `limit_kpa` at `flow_l_day`, from now.

    The limit is reached at V = (ΔP_limit/(μ Q) - R_clean) / growth.
    growth_z: standard normal deviates, one per member; growth is fitted + z · its error, and a
    member whose growth is not above 0 never reaches the limit.
    0 when already past it; inf without a fit or a limit, when the data cannot tell, or when
    nothing flows. The arguments broadcast.
    """
    flow = np.asarray(flow_l_day, dtype=np.float64)
    passed = np.asarray(passed_l, dtype=np.float64)
    z = np.asarray(growth_z, dtype=np.float64)
    if fit is None or limit_kpa is None or not fit.tells:
        return np.full(np.broadcast_shapes(flow.shape, passed.shape, z.shape), np.inf)
    allowed = resistance_per_m3(drop_kpa=limit_kpa, flow_l_day=flow, temperature_c=temperature_c)
    growth = fit.growth_per_m3_l + z * fit.growth_sd_per_m3_l
    with np.errstate(divide="ignore", invalid="ignore"):
        at_l = np.where(growth > 0, (allowed - fit.clean_per_m3) / growth, np.inf)
    return _days_to_volume(np.where(np.isnan(at_l), np.inf, at_l), passed, flow)


def sediment_life(
    *,
    flow_l_day: ArrayLike,
    passed_l: ArrayLike,
    age_days: float,
    temperature_c: float,
    dirt_capacity_g: ArrayLike | None = None,
    turbidity_ntu: ArrayLike | None = None,
    fit: ResistanceFit | None = None,
    resistance_limit_kpa: float | None = None,
    calendar_days: float | None = None,
    capacity_factor: ArrayLike = 1.0,
    solids_factor: ArrayLike = 1.0,
    growth_z: ArrayLike = 0.0,
) -> dict[str, FloatArray]:
    """Days from now to each cause of a sediment cartridge's end, over ensemble members.

    flow_l_day, passed_l: future flow and litres so far, scalar or shape (members,).
    age_days: days since it was fitted. capacity_factor, solids_factor: lognormal factors on the
    rated load and on the solids per NTU; growth_z: standard normal deviates for the fitted
    growth of resistance; scalar or shape (members,).
    Gives {"dirt", "resistance", "calendar"}, each of the common shape; 0 when past, inf when
    that cause never comes or nothing is known of it (see `dirt_life`, `resistance_life`).
    """
    dirt = dirt_life(
        dirt_capacity_g=_or_nan(dirt_capacity_g) * np.asarray(capacity_factor, dtype=np.float64),
        turbidity_ntu=turbidity_ntu,
        flow_l_day=flow_l_day,
        passed_l=passed_l,
        solids_mg_l_per_ntu=SOLIDS_MG_L_PER_NTU * np.asarray(solids_factor, dtype=np.float64),
    )
    resistance = resistance_life(
        fit=fit,
        limit_kpa=resistance_limit_kpa,
        flow_l_day=flow_l_day,
        passed_l=passed_l,
        temperature_c=temperature_c,
        growth_z=growth_z,
    )
    left = np.inf if calendar_days is None else max(calendar_days - age_days, 0.0)
    shape = np.broadcast_shapes(dirt.shape, resistance.shape)
    return {
        "dirt": np.broadcast_to(dirt, shape).copy(),
        "resistance": np.broadcast_to(resistance, shape).copy(),
        "calendar": np.full(shape, left),
    }


def _or_nan(value: ArrayLike | None) -> FloatArray:
    return np.asarray(np.nan if value is None else value, dtype=np.float64)


def _days_to_volume(at_l: FloatArray, passed_l: FloatArray, flow_l_day: FloatArray) -> FloatArray:
    """Days until `at_l` litres have passed; 0 when they have, inf when nothing flows."""
    left_l = np.maximum(at_l - passed_l, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(flow_l_day > 0, left_l / flow_l_day, np.inf)
    return np.asarray(np.where(left_l <= 0, 0.0, days))
