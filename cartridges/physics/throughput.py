"""Litres through the train: metered where a meter was read, the restrictor's law elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .arrays import BoolArray, FloatArray
from .correction import (
    METER_REL_SD,
    PRIOR_SD,
    READING_SD_L,
    SHARED,
    TIMING_SD_DAYS,
    Correction,
    CorrectionTrack,
    interval_sd,
    learn_correction,
)
from .meter import (
    Metered,
    MeterRun,
    ReadingFalls,
    ReadingsDisagree,
    intervals_of,
    metered_intervals,
)
from .periods import holding, union
from .restrictor import (
    FLOW_LAWS,
    Expected,
    FlowLaw,
    Restrictor,
    Steps,
    expected_flow,
    restricted_flow_l_day,
    stage_drop_kpa,
)
from .segments import METERED, RESTRICTOR, SHUT, Segments

__all__ = [
    "FLOW_LAWS",
    "METERED",
    "RESTRICTOR",
    "SHUT",
    "BucketTest",
    "Correction",
    "CorrectionTrack",
    "FlowLaw",
    "Metered",
    "MeterRun",
    "ReadingFalls",
    "ReadingsDisagree",
    "Restrictor",
    "Segments",
    "Shutoff",
    "Steps",
    "Throughput",
    "learn_correction",
    "metered_intervals",
    "restricted_flow_l_day",
    "stage_drop_kpa",
    "throughput",
]

# An interval teaches the correction only when water could pass for at least this share of it.
OPEN_SHARE_TO_LEARN: Final = 0.5


@dataclass(frozen=True, slots=True)
class BucketTest:
    """A flow measured with a cup and a watch: L/day, not negative, and its relative sd."""

    day: float
    flow_l_day: float
    rel_sd: float = 0.04

    def __post_init__(self) -> None:
        if not (np.isfinite(self.day) and 0 <= self.flow_l_day < np.inf):
            raise ValueError("a bucket test needs a finite day and a flow that is not negative")
        if not 0 < self.rel_sd < np.inf:
            raise ValueError("a bucket test's relative error must be above 0")


@dataclass(frozen=True, slots=True)
class Shutoff:
    """The water was off from start_day until end_day; inf while it is still off."""

    start_day: float
    end_day: float = np.inf

    def __post_init__(self) -> None:
        if not (np.isfinite(self.start_day) and self.end_day > self.start_day):
            raise ValueError("a shut-off must end after it starts")


@dataclass(frozen=True, slots=True)
class Throughput:
    """segments: tile the time asked for, without gap or overlap.

    correction: actual over expected flow, with all measurements. open_flow_l_day: what passes
    from end_day on while the water is on; future_flow_l_day: the same, or 0 when it is shut off
    with no end stated. future_rel_sd: relative sd of either.
    """

    segments: Segments
    correction: Correction
    future_flow_l_day: float
    future_rel_sd: float
    open_flow_l_day: float


def throughput(
    *,
    start_day: float,
    end_day: float,
    restrictors: Sequence[Restrictor],
    pressure_kpa: Steps,
    temperature_c: Steps,
    meters: Sequence[MeterRun] = (),
    bucket_tests: Sequence[BucketTest] = (),
    shutoffs: Sequence[Shutoff] = (),
    hindsight: bool = False,
) -> Throughput:
    """The water that passed from start_day to end_day, and what will pass from then on.

    Between two readings of one meter the volume is exact as read. A restrictor change, a
    shut-off, or a change of pressure or temperature inside an interval splits it in proportion
    to what would pass (nothing while shut); where nothing tells how to split, it is spread
    evenly over the open time, or over all of it. Elsewhere the flow is the restrictor's law
    times the correction known at that time (hindsight False) or with later measurements also
    (hindsight True); while shut it is 0. With no meter, the time before the first restrictor
    was fitted is taken as without water, flow 0 with rel_sd 0. If no restrictor is ever named
    but something was measured, a constant flow is assumed at its level: the metered volume over
    the open metered time, else the median bucket test. With neither, no water passes.

    Every metered interval that was open for at least half its length, and every bucket test
    while open, teaches the correction, unless it found no water at all (that is a fault to
    look for, not a flow to expect) or is as short or small as the error of reading a meter.
    rel_sd of a metered segment is METER_REL_SD; elsewhere the correction's, never below that.

    start_day, end_day: finite, end after start. pressure_kpa, temperature_c: supply gauge
    pressure and water temperature. Lists in any order. Overlapping shut-offs count once.
    Two meters at once, two restrictors at one moment, or bad values raise ValueError; see also
    `metered_intervals`.
    """
    if not (np.isfinite(start_day) and np.isfinite(end_day) and end_day > start_day):
        raise ValueError("throughput needs finite days, the end after the start")
    metered = intervals_of(tuple(meters))
    shut = union((shutoff.start_day, shutoff.end_day) for shutoff in shutoffs)
    law = expected_flow(
        restrictors=tuple(restrictors), pressure_kpa=pressure_kpa, temperature_c=temperature_c
    )
    if not law.restrictors:
        law = _implied(law, start_day, metered, shut, bucket_tests)
    pieces = _pieces(start_day, end_day, metered, shut, law, bucket_tests)
    track = _learn(pieces, metered, law, shut, bucket_tests)
    segments = _segments(pieces, metered, track, hindsight=hindsight)
    last = max(end_day, float(track.day[-1])) if len(track.day) else end_day
    correction = track.latest(day=last)
    now = np.array([end_day])
    open_flow = 0.0
    if len(law.restrictors) and law.which(now)[0] >= 0:
        open_flow = float(law.flow_l_day(now)[0]) * correction.factor
    off = any(shutoff.start_day <= end_day and shutoff.end_day == np.inf for shutoff in shutoffs)
    return Throughput(
        segments=segments.between(start_day=start_day, end_day=end_day),
        correction=correction,
        future_flow_l_day=0.0 if off else open_flow,
        future_rel_sd=max(correction.rel_sd, METER_REL_SD),
        open_flow_l_day=open_flow,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Periods in which nothing changes: all arrays of shape (n,).

    owner: index of the metered interval, -1 where there is none. which: index of the restrictor,
    -1 before the first. expected_l_day: by the restrictor's law, the first carried back.
    """

    start_day: FloatArray
    end_day: FloatArray
    owner: NDArray[np.intp]
    which: NDArray[np.intp]
    shut: BoolArray
    expected_l_day: FloatArray

    @property
    def duration_days(self) -> FloatArray:
        return self.end_day - self.start_day

    @property
    def open_l_day(self) -> FloatArray:
        """Expected flow, 0 while shut."""
        return np.asarray(np.where(self.shut, 0.0, self.expected_l_day))

    def summed(self, values: FloatArray, *, intervals: int) -> FloatArray:
        """Sum of `values` over the pieces of each metered interval, shape (intervals,)."""
        owned = self.owner >= 0
        sums = np.bincount(self.owner[owned], weights=values[owned], minlength=intervals)
        return np.asarray(sums, dtype=np.float64)


def _is_shut(days: FloatArray, shut: FloatArray) -> BoolArray:
    """Whether the water is off just after each day."""
    return holding(days, start_day=shut[:, 0], end_day=shut[:, 1]) >= 0


def _implied(
    law: Expected,
    start_day: float,
    metered: Metered,
    shut: FloatArray,
    bucket_tests: Sequence[BucketTest],
) -> Expected:
    """A constant flow at the measured level, where no restrictor is named; else `law` itself."""
    first = [start_day, *metered.start_day[:1], *(test.day for test in bucket_tests)]
    edges = np.unique(np.concatenate((metered.start_day, metered.end_day, shut.ravel())))
    edges = edges[np.isfinite(edges)]
    mids = (edges[1:] + edges[:-1]) / 2
    covered = _owner(mids, metered) >= 0
    open_days = float(np.diff(edges)[covered & ~_is_shut(mids, shut)].sum())
    flows = [test.flow_l_day for test in bucket_tests if test.flow_l_day > 0]
    level = 0.0
    if open_days > TIMING_SD_DAYS:
        level = float(metered.volume_l.sum()) / open_days
    if level <= 0 and flows:
        level = float(np.median(flows))
    if level <= 0:
        return law
    steady = FLOW_LAWS["pressure_compensating"]
    implied = Restrictor(
        fitted_day=min(first),
        rated_flow_l_day=level,
        exponent=steady.exponent,
        laminar=steady.laminar,
    )
    return expected_flow(
        restrictors=(implied,),
        pressure_kpa=Steps(np.zeros(1), np.ones(1)),
        temperature_c=law.temperature_c,
    )


def _owner(days: FloatArray, metered: Metered) -> NDArray[np.intp]:
    """Index of the metered interval that holds the time just after each day, -1 where none."""
    return holding(days, start_day=metered.start_day, end_day=metered.end_day)


def _pieces(
    start_day: float,
    end_day: float,
    metered: Metered,
    shut: FloatArray,
    law: Expected,
    bucket_tests: Sequence[BucketTest],
) -> _Pieces:
    """Cut the time asked for, and the metered intervals that reach into or past it, at every
    moment where anything changes."""
    span = np.concatenate(([start_day, end_day], metered.start_day, metered.end_day))
    marks = np.concatenate(
        (
            span,
            shut.ravel(),
            law.fitted_day,
            law.pressure_kpa.day,
            law.temperature_c.day,
            [test.day for test in bucket_tests],
        )
    )
    edges = np.unique(marks[(marks >= span.min()) & (marks <= span.max())])
    start = edges[:-1]
    has_law = len(law.restrictors) > 0
    return _Pieces(
        start_day=start,
        end_day=edges[1:],
        owner=_owner(start, metered),
        which=law.which(start),
        shut=_is_shut(start, shut),
        expected_l_day=law.flow_l_day(start) if has_law else np.zeros(len(start)),
    )


def _learn(
    pieces: _Pieces,
    metered: Metered,
    law: Expected,
    shut: FloatArray,
    bucket_tests: Sequence[BucketTest],
) -> CorrectionTrack:
    """Every interval and bucket test that can be set against the restrictor's law."""
    count = len(metered.volume_l)
    length = metered.end_day - metered.start_day
    expected_l = pieces.summed(pieces.open_l_day * pieces.duration_days, intervals=count)
    open_days = pieces.summed(pieces.duration_days * ~pieces.shut, intervals=count)
    latest = np.zeros(count, dtype=np.intp)
    np.maximum.at(latest, pieces.owner[pieces.owner >= 0], pieces.which[pieces.owner >= 0])
    earlier = pieces.which < latest[pieces.owner] if count else np.zeros(len(pieces.which))
    earlier_l = pieces.summed(pieces.open_l_day * pieces.duration_days * earlier, intervals=count)
    first_fitted = law.fitted_day[0] if len(law.fitted_day) else np.inf
    fit = (
        (metered.start_day >= first_fitted)
        & (open_days >= OPEN_SHARE_TO_LEARN * length)
        & (length > TIMING_SD_DAYS)
        & (metered.volume_l > READING_SD_L)
        & (expected_l > 0)
    )
    volume, expected_l, earlier_l = metered.volume_l[fit], expected_l[fit], earlier_l[fit]
    sd = interval_sd(volume_l=volume, length_days=length[fit])
    mixed_sd = earlier_l / expected_l * PRIOR_SD * np.sqrt(2 * (1 - SHARED))

    tests = [test for test in bucket_tests if test.flow_l_day > 0 and test.day >= first_fitted]
    test_day = np.array([test.day for test in tests], dtype=np.float64)
    test_flow = np.array([test.flow_l_day for test in tests], dtype=np.float64)
    test_sd = np.array([test.rel_sd for test in tests], dtype=np.float64)
    test_expected = law.flow_l_day(test_day) if tests else np.zeros(0)
    usable = (test_expected > 0) & ~_is_shut(test_day, shut)
    return learn_correction(
        day=np.concatenate((metered.end_day[fit], test_day[usable])),
        ratio=np.concatenate((volume / expected_l, test_flow[usable] / test_expected[usable])),
        rel_sd=np.concatenate((np.hypot(sd, mixed_sd), test_sd[usable])),
        change_day=law.fitted_day[1:],
    )


def _segments(
    pieces: _Pieces, metered: Metered, track: CorrectionTrack, *, hindsight: bool
) -> Segments:
    """Give every piece its flow, and join neighbours between which nothing changed."""
    count = len(metered.volume_l)
    owned = pieces.owner >= 0
    weight = pieces.open_l_day
    for spread in (np.where(pieces.shut, 0.0, 1.0), np.ones(len(weight))):
        empty = pieces.summed(weight * pieces.duration_days, intervals=count) <= 0
        weight = np.where(owned & np.append(empty, False)[pieces.owner], spread, weight)
    passed = pieces.summed(weight * pieces.duration_days, intervals=count)
    per_weight = np.append(metered.volume_l / passed, 0.0)[pieces.owner]
    factor, sd = track.at((pieces.start_day + pieces.end_day) / 2, hindsight=hindsight)
    law_flow = np.where(pieces.which >= 0, pieces.open_l_day * factor, 0.0)
    flow = np.where(owned, weight * per_weight, law_flow)
    shut = pieces.shut & (flow == 0)
    origin = np.where(shut, SHUT, np.where(owned, METERED, RESTRICTOR)).astype(np.int8)
    law_sd = np.where(pieces.which >= 0, np.maximum(sd, METER_REL_SD), 0.0)
    rel_sd = np.where(shut, 0.0, np.where(owned, METER_REL_SD, law_sd))
    same = np.ones(len(flow) - 1, dtype=np.bool_)
    for column in (pieces.owner, pieces.which, origin, flow, rel_sd):
        same &= column[1:] == column[:-1]
    first = np.concatenate(([True], ~same))
    last = np.concatenate((~same, [True]))
    return Segments(
        start_day=pieces.start_day[first],
        end_day=pieces.end_day[last],
        flow_l_day=flow[first],
        origin=origin[first],
        rel_sd=rel_sd[first],
    )
