"""The way from the beds now to the first day of each limit, piece by piece."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import cartridges.physics.steps as steps_module
from cartridges.physics.bed import advance, days_to_outlet, outlet_ratio
from cartridges.physics.bed_spec import bed_spec
from cartridges.physics.forecast import Future, first_exceedance_days, future_from, outlet_path
from cartridges.physics.history import Uncertain, run_history
from cartridges.physics.layout import layouts_from
from cartridges.physics.series import MemberBed, Series, at_flow
from cartridges.physics.steps import merge_steps
from cartridges.physics.train import Medium, Placing

from .scenarios import BOTH, CARBON, segments, source
from .two_species_ode import TwoSpecies

LIMIT_MG_L = 0.1


def member_bed(medium: Medium, capacity_factors: list[float]) -> MemberBed:
    """A bed whose members differ in capacity alone, n = 0."""
    spec = bed_spec(medium=medium, combined_in_water=True)
    assert spec is not None
    factors = np.array(capacity_factors)
    return MemberBed(
        spec=spec,
        capacity_mg=spec.capacity_mg * factors,
        rate_free_l_mg_day=np.full(len(factors), spec.rate_free_l_mg_day),
        rate_combined_l_mg_day=np.full(len(factors), spec.rate_combined_l_mg_day),
        flow_exponent=np.zeros(len(factors)),
    )


def ahead(*periods: tuple[float, float, float], horizon: float = 3652.5) -> Future:
    """(start, free, combined) periods, nothing uncertain."""
    start, free, combined = (np.array(column) for column in zip(*periods, strict=True))
    return Future(start, np.append(start[1:], horizon), free, combined, np.zeros(len(start)))


def exceedance(
    state: np.ndarray, series: Series, future: Future, *, share: float = 1.0, z: float = 0.0
) -> np.ndarray:
    members = state.shape[1]
    return first_exceedance_days(
        remaining=state,
        series=series,
        future=future,
        uncertain=Uncertain({}, np.zeros(members), np.zeros(members), np.full(members, z)),
        dose_share=share,
        limit_mg_l=LIMIT_MG_L,
    )


def test_one_bed_is_the_closed_form_and_members_keep_apart() -> None:
    bed = member_bed(CARBON, [0.5, 1.0, 1.7])
    series = at_flow([bed], flow_l_day=200.0, members=3)
    state = np.array([[0.9, 0.4, 0.7]])
    found = exceedance(state.copy(), series, ahead((0.0, 2.0, 0.0)))
    expected = days_to_outlet(
        state[0],
        limit_mg_l=LIMIT_MG_L,
        inlet_mg_l=2.0,
        transfer_units=series.units_free[0],
        rate_l_mg_day=series.wear_free[0],
    )
    np.testing.assert_allclose(found[1], expected, rtol=1e-9)
    assert (found[0] == 0.0).all()


def test_the_second_bed_meets_the_limit_on_the_day_it_is_said_to() -> None:
    bed = member_bed(CARBON, [0.6, 1.0])
    series = at_flow([bed, bed], flow_l_day=300.0, members=2)
    days = exceedance(np.ones((2, 2)), series, ahead((0.0, 1.5, 0.0)))[2]
    for member in range(2):
        dose, depth = 1.5 * days[member], 0.0
        for _ in range(2):
            units, rate = series.units_free[0, member], series.wear_free[0, member]
            left, dose = advance(1.0, dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=rate)
            depth -= np.log(outlet_ratio(left, transfer_units=units))
        assert 1.5 * np.exp(-depth) == pytest.approx(LIMIT_MG_L, rel=1e-4)


def test_the_first_exceedance_counts_even_if_the_water_gets_better_again() -> None:
    bed = member_bed(CARBON, [1.0])
    series = at_flow([bed], flow_l_day=600.0, members=1)
    weak, strong = 0.4, 3.9
    calm = exceedance(np.ones((1, 1)), series, ahead((0.0, weak, 0.0)))[1, 0]
    # 0.1 of 0.4 is a quarter; of 3.9 a fortieth, which the bed reaches earlier.
    start = 0.95 * calm
    peak = ahead((0.0, weak, 0.0), (start, strong, 0.0), (start + 0.2, weak, 0.0))
    assert exceedance(np.ones((1, 1)), series, peak)[1, 0] == start
    early = ahead((0.0, weak, 0.0), (5.0, strong, 0.0), (5.2, weak, 0.0))
    assert 5.2 < exceedance(np.ones((1, 1)), series, early)[1, 0] < calm


def test_stronger_water_passes_both_beds_at_the_start_of_its_period() -> None:
    """Chloramine, which a short contact hardly holds, arrives on day 30: both limits are then."""
    bed = member_bed(CARBON, [1.0, 1.3])
    series = at_flow([bed, bed], flow_l_day=500.0, members=2)
    switch = ahead((0.0, 0.5, 0.0), (30.0, 0.0, 2.5), (37.0, 0.5, 0.0))
    assert (exceedance(np.ones((2, 2)), series, switch)[1:] == 30.0).all()


def test_cutting_the_future_into_pieces_changes_nothing() -> None:
    bed = member_bed(BOTH, [0.5, 1.0])
    series = at_flow([bed, bed], flow_l_day=90.0, members=2)
    for water, tolerance in (((1.2, 0.0), 1e-6), ((0.6, 0.9), 1e-3)):
        whole = exceedance(np.ones((2, 2)), series, ahead((0.0, *water)))
        pieces = ahead(*((float(start), *water) for start in range(0, 1000, 30)))
        np.testing.assert_allclose(
            exceedance(np.ones((2, 2)), series, pieces), whole, rtol=tolerance
        )


def test_water_that_passes_a_tenth_of_the_time_takes_ten_times_as_long() -> None:
    bed = member_bed(CARBON, [1.0])
    series = at_flow([bed], flow_l_day=2000.0, members=1)
    always = exceedance(np.ones((1, 1)), series, ahead((0.0, 2.0, 0.0)))
    tenth = exceedance(np.ones((1, 1)), series, ahead((0.0, 2.0, 0.0)), share=0.1)
    assert tenth[1, 0] == pytest.approx(10 * always[1, 0], rel=1e-6)


def test_the_tap_itself_has_a_day() -> None:
    nothing = at_flow([], flow_l_day=100.0, members=2)
    future = ahead((0.0, 0.05, 0.0), (12.0, 0.5, 0.0))
    assert exceedance(np.ones((0, 2)), nothing, future)[0].tolist() == [12.0, 12.0]
    with pytest.raises(ValueError, match="limit"):
        first_exceedance_days(
            remaining=np.ones((0, 2)),
            series=nothing,
            future=future,
            uncertain=Uncertain({}, np.zeros(2), np.zeros(2), np.zeros(2)),
            dose_share=1.0,
            limit_mg_l=0.0,
        )


def test_source_uncertainty_scales_every_period_by_its_own_sd() -> None:
    nothing = at_flow([], flow_l_day=100.0, members=1)
    future = replace(ahead((0.0, 0.09, 0.0), (12.0, 0.09, 0.0)), rel_sd=np.array([0.0, 0.3]))
    assert exceedance(np.ones((0, 1)), nothing, future, z=1.0)[0, 0] == 12.0
    assert exceedance(np.ones((0, 1)), nothing, future, z=-1.0)[0, 0] == np.inf


def test_the_future_is_cut_at_now_and_carried_to_the_horizon() -> None:
    steps = source([1.0, 1.0, 2.0, 3.0], each_days=10.0)
    future = future_from(source=steps, now_day=15.0, horizon_days=100.0)
    assert future.start_days.tolist() == [0.0, 5.0, 15.0]
    assert future.end_days.tolist() == [5.0, 15.0, 100.0]
    assert future.free_mg_l.tolist() == [1.0, 2.0, 3.0]
    late = future_from(source=steps, now_day=-500.0, horizon_days=100.0)
    assert late.free_mg_l.tolist() == [1.0] and late.end_days.tolist() == [100.0]
    past = future_from(source=steps, now_day=90.0, horizon_days=100.0)
    assert past.free_mg_l.tolist() == [3.0]
    for bad in ({"source": source([])}, {"horizon_days": 0.0}):
        with pytest.raises(ValueError, match="source step"):
            future_from(**{"source": steps, "now_day": 0.0, "horizon_days": 9.0, **bad})


def test_a_path_for_a_chart_is_the_state_run_on() -> None:
    bed = member_bed(CARBON, [1.0, 0.5])
    series = at_flow([bed], flow_l_day=400.0, members=2)
    days = np.array([0.0, 7.0, 20.0, 33.0])
    path = outlet_path(
        remaining=np.ones((1, 2)),
        series=series,
        future=ahead((0.0, 1.0, 0.0), (20.0, 2.5, 0.0)),
        uncertain=Uncertain({}, np.zeros(2), np.zeros(2), np.zeros(2)),
        dose_share=1.0,
        days=days,
    )
    assert path.shape == (4, 2, 2)
    np.testing.assert_allclose(path[:, 0, 0], [1.0, 1.0, 2.5, 2.5])
    for index, (dose, level) in enumerate(((0.0, 1.0), (7.0, 1.0), (20.0, 2.5), (52.5, 2.5))):
        left = advance(
            np.ones(2),
            dose_mg_day_l=dose,
            transfer_units=series.units_free[0],
            rate_l_mg_day=series.wear_free[0],
        ).remaining
        expected = level * outlet_ratio(left, transfer_units=series.units_free[0])
        np.testing.assert_allclose(path[index, 1], expected, rtol=1e-9)


@pytest.mark.parametrize("longest_days", [4.0, 60.0])
@pytest.mark.parametrize("ageing", [0.0, 0.002])
def test_the_past_of_two_species_agrees_with_the_differential_equations(
    ageing: float, longest_days: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Months in merged steps, two beds, both species, ageing: state within 1e-4 of the whole.

    Steps that are too long for one alternation of the species are cut into sub-steps.
    """
    monkeypatch.setattr(steps_module, "LONGEST_STEP", ((np.inf, longest_days),))
    medium = replace(BOTH, ageing_per_day=ageing)
    flow, levels, now = 120.0, np.array([0.5, 1.2]), 200.0 if ageing else 300.0
    bed = member_bed(medium, [1.0, 1.0])
    steps = merge_steps(
        segments=segments(np.full(int(now), flow)),
        source=source([levels[0]], combined_mg_l=[levels[1]], each_days=now),
        start_day=0.0,
        end_day=now,
    )
    placings = (Placing(0.0, 1, "a", medium), Placing(0.0, 2, "b", medium))
    history = run_history(
        steps=steps,
        layouts=layouts_from(placings, stage_count=2),
        uncertain=Uncertain({"a": bed, "b": bed}, np.zeros(2), np.zeros(2), np.zeros(2)),
    )
    series = at_flow([bed], flow_l_day=flow, members=2)
    ode = TwoSpecies(
        bed.spec.capacity_mg,
        flow,
        np.array([series.units_free[0, 0], series.units_combined[0, 0]]),
        np.array([1.0, bed.spec.weight_combined]),
    )
    solved = ode.solve(remaining=np.ones(2), levels=levels, days=now, ageing_per_day=ageing)
    exact = solved.y[:, -1]
    assert 0.01 < exact[0] < 0.5 < exact[1] < 1.0
    found = np.array([history.remaining["a"][0], history.remaining["b"][0]])
    np.testing.assert_allclose(found, exact, rtol=0.0, atol=1e-4)
