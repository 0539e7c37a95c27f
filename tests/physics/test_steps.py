"""Merging the past: mass, cuts, the unmerged end of each step, and the error of the day."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import cartridges.physics.steps as steps_module
from cartridges.physics.bed_spec import bed_spec
from cartridges.physics.history import Uncertain, run_history
from cartridges.physics.layout import layouts_from
from cartridges.physics.segments import METERED, RESTRICTOR, SHUT, Segments
from cartridges.physics.series import MemberBed
from cartridges.physics.steps import STEP_BUDGET, merge_steps
from cartridges.physics.train import OutletReading, TrainInputs, estimate_train

from .scenarios import CARBON, certain, segments, site, source, two_carbons


def mass_mg(flow: np.ndarray, level: np.ndarray, days: np.ndarray) -> float:
    return float(flow @ (level * days))


def test_mass_and_volume_are_kept() -> None:
    rng = np.random.default_rng(1)
    flow = 200.0 * np.exp(0.3 * rng.standard_normal(1500))
    free, combined = rng.uniform(0.1, 2.0, 1500), rng.uniform(0.0, 1.0, 1500)
    merged = merge_steps(
        segments=segments(flow),
        source=source(free, combined_mg_l=combined),
        start_day=0.0,
        end_day=1500.0,
        cuts=[77.3, 900.0],
    )
    days = merged.end_day - merged.start_day
    assert mass_mg(merged.flow_l_day, merged.free_mg_l, days) == pytest.approx(flow @ free)
    assert mass_mg(merged.flow_l_day, merged.combined_mg_l, days) == pytest.approx(flow @ combined)
    assert merged.flow_l_day @ days == pytest.approx(flow.sum())
    assert (merged.start_day[1:] == merged.end_day[:-1]).all()
    assert {77.3, 900.0} <= set(merged.start_day.tolist())


def test_a_step_never_spans_a_shut_off_a_change_of_origin_or_of_restrictor() -> None:
    past = Segments(
        start_day=[0, 5, 8, 12, 15],
        end_day=[5, 8, 12, 15, 20],
        flow_l_day=[190.0, 0.0, 190.0, 380.0, 380.0],
        origin=[METERED, SHUT, METERED, METERED, RESTRICTOR],
        rel_sd=[0.0, 0.0, 0.0, 0.0, 0.1],
    )
    merged = merge_steps(
        segments=past, source=source(1.0, each_days=20.0), start_day=0.0, end_day=20.0
    )
    assert merged.start_day.tolist() == [0, 5, 8, 12, 15]
    assert merged.last_flow_l_day.tolist() == [190.0, 190.0, 190.0, 380.0, 380.0]


def test_gaps_are_dry_and_the_tail_flows_on() -> None:
    past = Segments([2, 6], [4, 8], [100.0, 100.0], [METERED, METERED], [0.0, 0.0])
    merged = merge_steps(
        segments=past,
        source=source(1.0, each_days=1.0, start_day=3.0),
        start_day=0.0,
        end_day=10.0,
        tail_flow_l_day=70.0,
        tail_flow_rel_sd=0.2,
    )
    at = dict(zip(merged.start_day.tolist(), merged.flow_l_day.tolist(), strict=True))
    assert at == {0.0: 0.0, 2.0: 100.0, 4.0: 0.0, 6.0: 100.0, 8.0: 70.0}
    assert merged.flow_rel_sd[-1] == pytest.approx(0.2)
    assert (merged.free_mg_l == 1.0).all()


def test_the_end_of_a_step_keeps_its_own_water_and_flow() -> None:
    merged = merge_steps(
        segments=segments([100.0, 104.0, 99.0]),
        source=source([1.0, 2.0, 3.0]),
        start_day=0.0,
        end_day=3.0,
    )
    assert len(merged) == 1
    assert merged.last_flow_l_day[0] == 99.0 and merged.last_free_mg_l[0] == 3.0
    assert merged.flow_l_day[0] == pytest.approx(101.0)


def test_steps_grow_longer_with_age_and_stay_bounded_over_ten_years() -> None:
    rng = np.random.default_rng(2)
    for scatter in (0.0, 0.05, 0.15, 0.5):
        flow = 190.0 * np.exp(scatter * rng.standard_normal(3650))
        merged = merge_steps(
            segments=segments(flow),
            source=source(rng.uniform(0.5, 2.0, 3650)),
            start_day=0.0,
            end_day=3650.0,
        )
        assert len(merged) <= STEP_BUDGET + 1
        days = merged.end_day - merged.start_day
        assert days.max() <= 30.5
        assert days[merged.start_day >= 3650 - 180].max() <= 4.0


def test_no_time_or_no_water_to_go_by_is_refused() -> None:
    with pytest.raises(ValueError, match="end after its start"):
        merge_steps(segments=segments([1.0]), source=source(1.0), start_day=1.0, end_day=1.0)
    with pytest.raises(ValueError, match="source step"):
        merge_steps(segments=segments([1.0]), source=source([]), start_day=0.0, end_day=1.0)


def long_past(*, scatter: float, seed: int, combined: bool, on_flow: float | None) -> TrainInputs:
    """Daily water through two carbons for most of the first bed's life, real tap, rising flow."""
    rng = np.random.default_rng(seed)
    _, level = site("b" if seed % 2 else "a")
    level = np.resize(level, 700) * 1.8
    flow = 160.0 * np.linspace(0.8, 1.3, 700) * np.exp(scatter * rng.standard_normal(700))
    base = two_carbons()
    return replace(
        certain(base),
        segments=segments(flow),
        source_past=source(
            level if not combined else 0.3 * level, combined_mg_l=0.7 * level if combined else 0.0
        ),
        source_future=source(
            0.9 if not combined else 0.4,
            start_day=700.0,
            each_days=4000.0,
            combined_mg_l=0.5 if combined else 0.0,
        ),
        future_flow_l_day=200.0,
        on_flow_l_day=on_flow,
        limit_mg_l=0.6 if combined else 0.1,
    )


@pytest.mark.parametrize("scatter", [0.0, 0.05, 0.10, 0.25])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("water", ["free", "both", "bursts"])
def test_merging_moves_the_day_by_less_than_half_a_percent(
    scatter: float, seed: int, water: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The day is counted from the fitting; the same past in daily steps is the measure."""
    inputs = long_past(
        scatter=scatter,
        seed=seed,
        combined=water == "both",
        on_flow=900.0 if water == "bursts" else None,
    )
    now = 240.0 if water != "free" else 330.0
    inputs = replace(
        inputs,
        segments=inputs.segments.between(start_day=0.0, end_day=now),
        source_future=replace(
            inputs.source_future, start_day=np.array([now]), end_day=np.array([now + 4000.0])
        ),
    )
    merged = estimate_train(inputs, now_day=now, members=16)
    monkeypatch.setattr(steps_module, "LONGEST_STEP", ((np.inf, 1.0),))
    monkeypatch.setattr(steps_module, "STEP_BUDGET", 10_000)
    daily = estimate_train(inputs, now_day=now, members=16)
    assert daily.steps_used >= now > 1.2 * merged.steps_used
    for ours, finely in zip(merged.stages, daily.stages, strict=True):
        assert 0.0 < finely.days.p50 < np.inf
        day = now + ours.days.p50
        assert day == pytest.approx(now + finely.days.p50, rel=0.005)


@pytest.mark.parametrize("scatter", [0.0, 0.1])
def test_a_reading_in_the_past_is_predicted_as_by_daily_steps(
    scatter: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It meets the flow and the water of its own moment, not the mean of its step."""
    inputs = long_past(scatter=scatter, seed=1, combined=False, on_flow=None)
    layouts = layouts_from(inputs.placings, stage_count=2)
    spec = bed_spec(medium=CARBON, combined_in_water=False)
    assert spec is not None
    few = np.ones(2)
    bed = MemberBed(spec, spec.capacity_mg * few, spec.rate_free_l_mg_day * few, 0 * few, 0 * few)
    uncertain = Uncertain({"first": bed, "second": bed}, 0 * few, 0 * few, 0 * few)
    readings = tuple(
        OutletReading(str(day), day, 1, "total", 0.1, below=False) for day in (333.0, 360.0, 372.5)
    )

    def predicted() -> np.ndarray:
        steps = merge_steps(
            segments=inputs.segments,
            source=inputs.source_past,
            start_day=0.0,
            end_day=400.0,
            cuts=[one.day for one in readings],
        )
        history = run_history(steps=steps, layouts=layouts, uncertain=uncertain, readings=readings)
        return np.array([one[0] for one in history.predicted])

    merged = predicted()
    monkeypatch.setattr(steps_module, "LONGEST_STEP", ((np.inf, 1.0),))
    monkeypatch.setattr(steps_module, "STEP_BUDGET", 10_000)
    daily = predicted()
    assert (daily > 1e-4).all() and daily.max() > 1.0
    np.testing.assert_allclose(merged, daily, rtol=0.01)
