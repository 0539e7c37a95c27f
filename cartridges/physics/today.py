"""What is known of a train today: the ensemble that the past and the outlet tests leave behind."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .arrays import FloatArray
from .bed_spec import BedSpec, bed_spec
from .conditioning import check_reading, evidence
from .ensemble import Members, effective_members, prior_members, redraw, weights
from .forecast import Future, future_from
from .history import History, Uncertain, run_history
from .layout import Layouts, first_needed_day, layouts_from
from .levels import SourceSteps
from .series import MemberBed, Series, at_flow
from .source_error import SourceError, source_error
from .steps import BedSteps, merge_steps
from .train_data import OutletReading, TrainInputs

DEFAULT_MEMBERS = 4096
DEFAULT_SEED = 20
FLOW_EXPONENT_RANGE = (0.0, 0.5)
ENOUGH_EFFECTIVE = 0.25
"""Share of effective members below which members are drawn anew."""
MOST_PILOTS = 3
MOST_FINALS = 2
TOO_FEW_EFFECTIVE = 0.05
TOLD = ("source", "flow", "exponent", "capacity", "rate")
"""Factors that an outlet test says something of."""
CURVE_MEMBERS = 1024
CURVE_POINTS = 60


@dataclass(frozen=True, slots=True, eq=False)
class _Past:
    """Everything about the past that does not differ between members."""

    layouts: Layouts
    specs: dict[str, BedSpec]
    error: SourceError
    steps: BedSteps | None
    sample: NDArray[np.bool_] | None
    readings: tuple[OutletReading, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """One ensemble run through the past, its log weights holding prior, proposal and tests."""

    members: Members
    uncertain: Uncertain
    history: History
    blunders: list[FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class Today:
    """The train at now_day over the members of an ensemble, conditioned by its outlet tests.

    readings: in time order; blunders: for each, the probability per member that it was one.
    bed_keys, remaining (beds, members), series: the beds in place, in the order of flow, at the
    future flow; dose_share: the part of the time that water passes. weight: (members,), sums to 1.
    """

    inputs: TrainInputs
    now_day: float
    layouts: Layouts
    specs: dict[str, BedSpec]
    readings: tuple[OutletReading, ...]
    steps_used: int
    members: Members
    weight: FloatArray
    uncertain: Uncertain
    history: History
    blunders: list[FloatArray]
    future: Future
    bed_keys: list[str]
    remaining: FloatArray
    flow_l_day: FloatArray | float
    dose_share: FloatArray | float
    series: Series

    def series_of(self, beds: list[MemberBed]) -> Series:
        """Other beds in series at the same flow."""
        return _series(beds, self.flow_l_day, len(self.members))


def train_today(
    inputs: TrainInputs, *, now_day: float, horizon_days: float, members: int, seed: int
) -> Today:
    """Run the past over an ensemble and weigh it by the outlet tests.

    horizon_days: how far the future water is laid out. Errors: see `train.estimate_train`.
    """
    _check(inputs, now_day=now_day, members=members)
    layouts = layouts_from(
        [placing for placing in inputs.placings if placing.day <= now_day],
        stage_count=inputs.stage_count,
    )
    future = future_from(source=inputs.source_future, now_day=now_day, horizon_days=horizon_days)
    past = _past(inputs, layouts, now_day, future_rel_sd=float(future.rel_sd[0]))
    run = _conditioned(inputs, past, members=members, seed=seed)
    beds = run.uncertain.beds
    keys = [key for key in layouts.at(now_day) if key is not None and key in beds]
    state = np.array([run.history.remaining[key] for key in keys]).reshape(len(keys), members)
    flow, share = run.uncertain.flow(inputs.future_flow_l_day, inputs.future_flow_rel_sd)
    return Today(
        inputs=inputs,
        now_day=now_day,
        layouts=layouts,
        specs=past.specs,
        readings=past.readings,
        steps_used=0 if past.steps is None else len(past.steps),
        members=run.members,
        weight=weights(run.members.log_weight),
        uncertain=run.uncertain,
        history=run.history,
        blunders=run.blunders,
        future=future,
        bed_keys=keys,
        remaining=state,
        flow_l_day=flow,
        dose_share=share,
        series=_series([beds[key] for key in keys], flow, members),
    )


def _check(inputs: TrainInputs, *, now_day: float, members: int) -> None:
    if not math.isfinite(now_day):
        raise ValueError("now_day must be finite")
    if members < 16:
        raise ValueError("an ensemble needs at least 16 members")
    if not (math.isfinite(inputs.limit_mg_l) and inputs.limit_mg_l > 0.0):
        raise ValueError("the limit must be a number above zero")
    if not (math.isfinite(inputs.future_flow_l_day) and inputs.future_flow_l_day >= 0.0):
        raise ValueError("the future flow must be a number, not negative")
    for name in ("future_flow_rel_sd", "capacity_cv", "rate_cv"):
        value = getattr(inputs, name)
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be a number, not negative")
    if not 0.0 < inputs.plan_share < 1.0:
        raise ValueError("plan_share must lie between 0 and 1")
    on_flow = inputs.on_flow_l_day
    if on_flow is not None and not (math.isfinite(on_flow) and on_flow > 0.0):
        raise ValueError("the flow of an open valve must be a number above zero")
    if inputs.turbidity_ntu is not None and not (
        math.isfinite(inputs.turbidity_ntu) and inputs.turbidity_ntu >= 0.0
    ):
        raise ValueError("turbidity must be a number, not negative")
    for reading in inputs.outlet_readings:
        check_reading(reading, stage_count=inputs.stage_count, now_day=now_day)


def _past(inputs: TrainInputs, layouts: Layouts, now_day: float, *, future_rel_sd: float) -> _Past:
    """Merge the part of the past that matters, and choose where the charts are sampled."""
    combined = bool(
        (inputs.source_past.combined_mg_l > 0).any()
        or (inputs.source_future.combined_mg_l > 0).any()
    )
    specs = {}
    for key, medium in layouts.media.items():
        spec = bed_spec(medium=medium, combined_in_water=combined)
        if spec is not None:
            specs[key] = spec
    readings = tuple(sorted(inputs.outlet_readings, key=lambda one: (one.day, one.key)))
    source = inputs.source_past if len(inputs.source_past) else inputs.source_future
    start = first_needed_day(
        layouts,
        now_day=now_day,
        tests=[(one.day, one.after_stage) for one in readings],
        with_bed=set(specs),
    )
    start = min([start, *(one.day for one in readings)])
    if readings and start == now_day:
        start = math.nextafter(now_day, -math.inf)
    error = source_error(past=source, start_day=start, now_day=now_day, future_rel_sd=future_rel_sd)
    if start >= now_day:
        return _Past(layouts, specs, error, None, None, readings)
    readings = tuple(_with_tap_error(one, source, error) for one in readings)
    cuts = [layout.start_day for layout in layouts.layouts] + [one.day for one in readings]
    steps = merge_steps(
        segments=inputs.segments,
        source=replace(source, rel_sd=np.full(len(source), error.past_rel_sd)),
        start_day=start,
        end_day=now_day,
        cuts=cuts,
        tail_flow_l_day=inputs.future_flow_l_day,
        tail_flow_rel_sd=inputs.future_flow_rel_sd,
        constant_bed_flow=inputs.on_flow_l_day is not None,
    )
    sample = np.zeros(len(steps), dtype=np.bool_)
    for stage, occupant in enumerate(layouts.at(now_day), start=1):
        if occupant is not None:
            since = layouts.here_since(occupant, stage)
            here = np.flatnonzero(steps.start_day >= since)
            if len(here):
                few = np.linspace(0, len(here) - 1, min(CURVE_POINTS, len(here)))
                sample[here[np.round(few).astype(np.intp)]] = True
    return _Past(layouts, specs, error, steps, sample, readings)


def _with_tap_error(
    reading: OutletReading, source: SourceSteps, error: SourceError
) -> OutletReading:
    """The reading, less telling by how much worse the tap was known that day than on the whole."""
    index = int(np.searchsorted(source.start_day, reading.day, side="left")) - 1
    that_day = float(source.rel_sd[max(index, 0)])
    own = math.sqrt(max(0.0, that_day**2 - error.past_rel_sd**2))
    return replace(reading, rel_sd=math.hypot(reading.rel_sd, own))


def _factor_names(past: _Past) -> tuple[str, ...]:
    """Names of the uncertain factors, in an order that depends on the inputs' content alone."""
    with_bed = sorted({past.layouts.media[key].key for key in past.specs})
    dirt = sorted(
        {medium.key for medium in past.layouts.media.values() if medium.dirt_capacity_g is not None}
    )
    return (
        "source",
        "tap",
        "flow",
        "exponent",
        *(f"{what}:{key}" for key in with_bed for what in ("capacity", "rate")),
        "solids",
        "growth",
        *(f"dirt:{key}" for key in dirt),
    )


def _run(inputs: TrainInputs, past: _Past, members: Members) -> _Run:
    """Run members through the past and add what the tests say to their weights."""
    low, high = FLOW_EXPONENT_RANGE
    exponent = members.uniform("exponent", low=low, high=high)
    beds = {}
    for key, spec in past.specs.items():
        kind = past.layouts.media[key].key
        rate = members.lognormal(f"rate:{kind}", cv=inputs.rate_cv)
        own = spec.flow_exponent
        beds[key] = MemberBed(
            spec=spec,
            capacity_mg=spec.capacity_mg
            * members.lognormal(f"capacity:{kind}", cv=inputs.capacity_cv),
            rate_free_l_mg_day=spec.rate_free_l_mg_day * rate,
            rate_combined_l_mg_day=spec.rate_combined_l_mg_day * rate,
            flow_exponent=exponent if own is None else np.full(len(members), own),
        )
    tied = past.error.correlation
    source_z = members.normal("source")
    uncertain = Uncertain(
        beds=beds,
        source_z=source_z,
        flow_z=members.normal("flow"),
        tap_z=tied * source_z + math.sqrt(1.0 - tied**2) * members.normal("tap"),
        on_flow_l_day=inputs.on_flow_l_day,
    )
    if past.steps is None:
        fresh = {key: np.ones(len(members)) for key in beds}
        nothing = np.zeros((0, inputs.stage_count + 1, min(CURVE_MEMBERS, len(members))))
        return _Run(members, uncertain, History(fresh, [], np.zeros(0), nothing), [])
    history = run_history(
        steps=past.steps,
        layouts=past.layouts,
        uncertain=uncertain,
        readings=past.readings,
        sample=past.sample,
        sampled_members=min(CURVE_MEMBERS, len(members)),
    )
    log_weight, blunders = members.log_weight, []
    for reading, predicted in zip(past.readings, history.predicted, strict=True):
        found = evidence(predicted, reading=reading)
        log_weight = log_weight + found.log_likelihood
        blunders.append(found.blunder)
    return _Run(Members(members.names, members.z, log_weight), uncertain, history, blunders)


def _conditioned(inputs: TrainInputs, past: _Past, *, members: int, seed: int) -> _Run:
    """The final ensemble: the prior's where enough members carry weight, else drawn anew.

    Pilots of a quarter of the members find where the weight lies; the last draw is of all, and is
    made once more where it leaves too few.
    """
    run = _run(inputs, past, prior_members(names=_factor_names(past), members=members, seed=seed))
    if not past.readings or _effective_share(run) >= ENOUGH_EFFECTIVE:
        return run
    told = tuple(name for name in run.members.names if name.split(":")[0] in TOLD)
    pilot_size = max(16, members // 4)
    for pilot in range(1, MOST_PILOTS + 1):
        found = redraw(run.members, told=told, count=pilot_size, seed=seed + pilot)
        run = _run(inputs, past, found)
        if _effective_share(run) >= ENOUGH_EFFECTIVE:
            break
    for final in range(1, MOST_FINALS + 1):
        found = redraw(run.members, told=told, count=members, seed=seed + MOST_PILOTS + final)
        run = _run(inputs, past, found)
        if _effective_share(run) >= TOO_FEW_EFFECTIVE:
            break
    return run


def _effective_share(run: _Run) -> float:
    return effective_members(weights(run.members.log_weight)) / len(run.members)


def _series(beds: list[MemberBed], flow_l_day: FloatArray | float, members: int) -> Series:
    """The beds at the future flow; where none is expected, at one too small to wear them."""
    return at_flow(beds, flow_l_day=np.maximum(flow_l_day, 1e-9), members=members)
