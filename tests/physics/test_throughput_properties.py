"""What must hold for any history: tiling, conserved volume, and no effect of logging order."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cartridges.physics.throughput import (
    METERED,
    RESTRICTOR,
    SHUT,
    BucketTest,
    Restrictor,
    Shutoff,
    Steps,
    Throughput,
    metered_intervals,
    throughput,
)

from .flows import meter

# Moments to the hundredth of a day, about a quarter of an hour.
DAY = st.integers(-2_000, 22_000).map(lambda hundredths: hundredths / 100)
FLOW = st.floats(1, 5000)


def dated(
    days: st.SearchStrategy[float], values: st.SearchStrategy[float]
) -> st.SearchStrategy[list[tuple[float, float]]]:
    return st.lists(st.tuples(days, values), max_size=3, unique_by=lambda pair: pair[0])


@st.composite
def histories(draw: st.DrawFn, days: st.SearchStrategy[float] = DAY) -> dict[str, list[object]]:
    """Restrictors, up to two meters in turn, bucket tests, shut-offs and supply changes."""
    read = sorted(set(draw(st.lists(days, max_size=14))))
    volumes = draw(st.lists(st.floats(0, 4000), min_size=len(read), max_size=len(read)))
    totals = np.cumsum(volumes).tolist()
    turn = draw(st.integers(0, len(read)))
    parts = [(read[:turn], totals[:turn]), (read[turn:], totals[turn:])]
    fitted = sorted(set(draw(st.lists(days, max_size=4))))
    shut = [
        Shutoff(min(pair), max(pair))
        for pair in draw(st.lists(st.tuples(days, days), max_size=4))
        if pair[0] != pair[1]
    ]
    return {
        "restrictors": [
            Restrictor(
                day,
                draw(FLOW),
                exponent=draw(st.sampled_from((0.0, 0.5, 1.0))),
                laminar=draw(st.booleans()),
            )
            for day in fitted
        ],
        "meters": [meter(day, total) for day, total in parts if day],
        "bucket_tests": [BucketTest(day, draw(FLOW)) for day in draw(st.lists(days, max_size=4))],
        "shutoffs": shut,
        "pressure": [
            (day, draw(st.floats(100, 700)))
            for day in sorted(set(draw(st.lists(days, max_size=3))))
        ],
        "temperature": [
            (day, draw(st.floats(2, 30))) for day in sorted(set(draw(st.lists(days, max_size=3))))
        ],
    }


def run(
    history: dict[str, list[object]], start_day: float, end_day: float, **options: bool
) -> Throughput:
    def steps(name: str, default: float) -> Steps:
        pairs = history[name] or [(0.0, default)]
        return Steps([pair[0] for pair in pairs], [pair[1] for pair in pairs])

    return throughput(
        start_day=start_day,
        end_day=end_day,
        restrictors=history["restrictors"],
        meters=history["meters"],
        bucket_tests=history["bucket_tests"],
        shutoffs=history["shutoffs"],
        pressure_kpa=steps("pressure", 400.0),
        temperature_c=steps("temperature", 20.0),
        **options,
    )


@given(history=histories(), start_day=DAY, length=st.floats(0.01, 300))
def test_segments_tile_the_time_asked_for(
    history: dict[str, list[object]], start_day: float, length: float
) -> None:
    segments = run(history, start_day, start_day + length).segments
    assert segments.start_day[0] == start_day
    assert segments.end_day[-1] == start_day + length
    assert (segments.start_day[1:] == segments.end_day[:-1]).all()
    assert (segments.end_day > segments.start_day).all()


@given(history=histories(), hindsight=st.booleans())
def test_metered_water_is_conserved_however_it_is_split(
    history: dict[str, list[object]], hindsight: bool
) -> None:
    segments = run(history, -30, 230, hindsight=hindsight).segments
    for meter_run in history["meters"]:
        for start, end, volume in zip(*metered_intervals(meter_run), strict=True):
            inside = segments.between(start_day=start, end_day=end)
            assert inside.total_l == pytest.approx(volume, rel=1e-9, abs=1e-9)
            assert not (inside.origin == RESTRICTOR).any()


@given(history=histories())
def test_no_water_passes_while_shut_unless_a_meter_says_so(
    history: dict[str, list[object]],
) -> None:
    segments = run(history, -30, 230).segments
    for shutoff in history["shutoffs"]:
        inside = segments.between(start_day=shutoff.start_day, end_day=shutoff.end_day)
        assert (inside.flow_l_day[inside.origin != METERED] == 0).all()
        assert set(inside.origin.tolist()) <= {SHUT, METERED}
    assert (segments.flow_l_day[segments.origin == SHUT] == 0).all()


@given(history=histories(), seed=st.integers(0, 10_000))
def test_order_of_logging_does_not_matter(history: dict[str, list[object]], seed: int) -> None:
    shuffler = random.Random(seed)
    shuffled = {name: shuffler.sample(facts, len(facts)) for name, facts in history.items()}
    shuffled["meters"] = []
    for one in shuffler.sample(history["meters"], len(history["meters"])):
        order = shuffler.sample(range(len(one.day)), len(one.day))
        shuffled["meters"].append(meter(one.day[order], one.reading_l[order]))
    ours, theirs = run(history, -30, 230), run(shuffled, -30, 230)
    for name in ("start_day", "end_day", "flow_l_day", "origin", "rel_sd"):
        assert getattr(ours.segments, name).tolist() == getattr(theirs.segments, name).tolist()
    assert ours.correction == theirs.correction
    assert ours.future_flow_l_day == theirs.future_flow_l_day


WHOLE_DAYS = st.integers(0, 60).map(float)


@settings(max_examples=60)
@given(history=histories(WHOLE_DAYS))
def test_metered_water_agrees_with_a_plain_count_day_by_day(
    history: dict[str, list[object]],
) -> None:
    """An independent route: walk whole days, weigh each by its restrictor, share the volume."""
    history = history | {"pressure": [], "temperature": []}
    segments = run(history, 0, 61).segments
    restrictors = sorted(history["restrictors"], key=lambda one: one.fitted_day)

    def weight(day: int) -> float:
        if any(off.start_day <= day < off.end_day for off in history["shutoffs"]):
            return 0.0
        fitted = [one for one in restrictors if one.fitted_day <= day] or restrictors[:1]
        if not fitted:
            return 1.0
        one = fitted[-1]
        flow = one.rated_flow_l_day * (400.0 / one.rated_pressure_kpa) ** one.exponent
        # IAPWS viscosities at 25 and 20 °C, mPa·s, to more figures than the table prints.
        return flow * (0.8900224 / 1.0015968 if one.laminar else 1.0)

    for meter_run in history["meters"]:
        for start, end, volume in zip(*metered_intervals(meter_run), strict=True):
            weights = np.array([weight(day) for day in range(int(start), int(end))])
            if not weights.sum() > 0:
                weights = np.ones(len(weights))
            for day, share in zip(range(int(start), int(end)), weights, strict=True):
                passed = segments.between(start_day=day, end_day=day + 1).total_l
                assert passed == pytest.approx(volume * share / weights.sum(), rel=1e-4, abs=1e-9)
