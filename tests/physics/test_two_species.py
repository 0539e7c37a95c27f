"""Free chlorine and chloramine in one bed, and in a train, against the differential equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cartridges.physics.bed import advance_two
from cartridges.physics.bed_spec import bed_spec
from cartridges.physics.ensemble import Members
from cartridges.physics.forecast import Future, first_exceedance_days
from cartridges.physics.history import Uncertain
from cartridges.physics.series import MemberBed, at_flow, quiet_days, run

from .scenarios import BOTH, CARBON
from .two_species_ode import TwoSpecies

RATES, WEIGHT_COMBINED = np.array([0.25, 0.08]), 1.4
CAPACITY_MG, FLOW_L_DAY = 30_000.0, 200.0
UNITS = RATES * CAPACITY_MG / FLOW_L_DAY
LEVELS = np.array([0.8, 1.5])
ODE = TwoSpecies(CAPACITY_MG, FLOW_L_DAY, UNITS, np.array([1.0, WEIGHT_COMBINED]))


def by_splitting(state: float, days: float, substeps: int):
    return advance_two(
        state,
        free_dose_mg_day_l=LEVELS[0] * days,
        combined_dose_mg_day_l=LEVELS[1] * days,
        transfer_units_free=UNITS[0],
        transfer_units_combined=UNITS[1],
        rate_free_l_mg_day=RATES[0],
        rate_combined_l_mg_day=RATES[1],
        weight_combined=WEIGHT_COMBINED,
        substeps=substeps,
    )


def test_splitting_error_falls_fourfold_when_the_parts_are_halved() -> None:
    start, days = 0.45, 40.0
    solved = ODE.solve(remaining=np.array([start]), levels=LEVELS, days=days)
    exact = solved.y[0, -1]
    assert exact < 0.3
    found = [float(by_splitting(start, days, parts).remaining) for parts in (8, 16, 32, 64)]
    errors = np.abs(np.array(found) - exact)
    for coarse, fine in zip(errors[:-1], errors[1:], strict=True):
        assert coarse / fine == pytest.approx(4.0, rel=0.1)


def test_two_species_together_keep_their_mass() -> None:
    start, days = 0.45, 40.0
    passed = by_splitting(start, days, 5)
    removed = LEVELS * days - np.array([passed.free_out_mg_day_l, passed.combined_out_mg_day_l])
    used_mg = FLOW_L_DAY * float(removed @ np.array([1.0, WEIGHT_COMBINED]))
    assert (start - passed.remaining) * CAPACITY_MG == pytest.approx(used_mg, rel=1e-9)


def members_of(medium, *, beds: int, ageing: float = 0.0):
    """Beds of a medium without anything uncertain, over two equal members."""
    spec = bed_spec(medium=medium, combined_in_water=True)
    assert spec is not None
    spec = replace(spec, ageing_per_day=ageing)
    bed = MemberBed(
        spec=spec,
        capacity_mg=np.full(2, spec.capacity_mg),
        rate_free_l_mg_day=np.full(2, spec.rate_free_l_mg_day),
        rate_combined_l_mg_day=np.full(2, spec.rate_combined_l_mg_day),
        flow_exponent=np.zeros(2),
    )
    return spec, [bed] * beds


@pytest.mark.parametrize("medium", [BOTH, CARBON], ids=["two_claims", "contact_time"])
@pytest.mark.parametrize("levels", [(0.5, 1.5), (1.5, 0.3), (0.05, 2.0)])
@pytest.mark.parametrize("ageing", [0.0, 0.002])
def test_days_of_a_train_agree_with_the_differential_equations(
    medium, levels: tuple[float, float], ageing: float
) -> None:
    """The day after each of two beds, within 0.1 %: bounded sub-steps, never day by day."""
    flow = 60.0
    spec, beds = members_of(medium, beds=2, ageing=ageing)
    series = at_flow(beds, flow_l_day=flow, members=2)
    water = np.array(levels)
    ode = TwoSpecies(
        spec.capacity_mg,
        flow,
        np.array([series.units_free[0, 0], series.units_combined[0, 0]]),
        np.array([1.0, spec.weight_combined]),
    )
    state = np.array([0.9, 1.0])
    future = Future(*(np.array([value]) for value in (0.0, 3000.0, water[0], water[1], 0.0)))
    found = first_exceedance_days(
        remaining=np.repeat(state[:, None], 2, axis=1),
        series=series,
        future=future,
        uncertain=Uncertain({}, np.zeros(2), np.zeros(2), np.zeros(2)),
        dose_share=1.0,
        limit_mg_l=0.1,
    )
    assert (found[0] == 0.0).all()
    for bed in range(2):

        def passes(_: float, left: np.ndarray, bed: int = bed) -> float:
            return float(ode.outlets(left, water)[bed].sum() - 0.1)

        passes.terminal = True
        solved = ode.solve(
            remaining=state, levels=water, days=3000.0, ageing_per_day=ageing, event=passes
        )
        day = 0.0 if passes(0.0, state) > 0 else float(solved.t_events[0][0])
        assert found[bed + 1] == pytest.approx(day, rel=1e-3, abs=0.01)


def test_sub_steps_are_long_where_nothing_happens_and_short_where_it_does() -> None:
    _, beds = members_of(BOTH, beds=1)
    series = at_flow(beds, flow_l_day=60.0, members=2)
    state = np.array([[1.0, 0.05]])
    fresh, late = quiet_days(state, series, free_mg_l=0.5, combined_mg_l=1.5)
    assert fresh > 10 * late > 0
    assert np.isinf(quiet_days(state, series, free_mg_l=0.0, combined_mg_l=1.5)).all()
    spent = quiet_days(np.zeros((1, 2)), series, free_mg_l=0.5, combined_mg_l=1.5)
    assert np.isinf(spent).all()


def test_the_series_is_the_bed_one_after_the_other() -> None:
    """`series.run` over members does what `bed.advance_two` does bed by bed."""
    spec, beds = members_of(BOTH, beds=1)
    series = at_flow(beds, flow_l_day=90.0, members=2)
    state = np.array([[0.4, 0.2]])
    expected = advance_two(
        state[0],
        free_dose_mg_day_l=6.0,
        combined_dose_mg_day_l=20.0,
        transfer_units_free=series.units_free[0],
        transfer_units_combined=series.units_combined[0],
        rate_free_l_mg_day=series.wear_free[0],
        rate_combined_l_mg_day=spec.rate_combined_l_mg_day,
        weight_combined=spec.weight_combined,
        substeps=6,
    )
    run(
        state,
        series,
        free_dose_mg_day_l=6.0,
        combined_dose_mg_day_l=20.0,
        days=12.0,
        substeps=6,
    )
    np.testing.assert_allclose(state[0], expected.remaining, rtol=1e-12)


def test_members_know_their_factors_by_name() -> None:
    members = Members(("source", "flow"), np.array([[1.0, 2.0], [3.0, 4.0]]), np.zeros(2))
    np.testing.assert_array_equal(members.normal("flow"), [2.0, 4.0])
    with pytest.raises(KeyError):
        members.normal("rate:unknown")
