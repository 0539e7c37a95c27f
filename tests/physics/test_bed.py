"""The exact update of one bed: mass, limits, bad input, and what each argument does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.bed import (
    advance,
    advance_two,
    aged,
    bdst_days,
    bohart_adams_outlet,
    days_to_outlet,
    outlet_mg_l,
    outlet_ratio,
)

states = st.floats(0.0, 1.0)
doses = st.floats(0.0, 3000.0)
units_of = st.floats(0.01, 3000.0)
rates = st.floats(1e-3, 5.0)
BASE = {"dose_mg_day_l": 30.0, "transfer_units": 40.0, "rate_l_mg_day": 0.2}
# remaining, dose, units, rate -> remaining, dose out
LIMITS = [
    ((0.5, 0.0, 40.0, 0.2), (0.5, 0.0)),  # nothing enters
    ((0.0, 30.0, 40.0, 0.2), (0.0, 30.0)),  # spent: all passes
    ((0.5, 30.0, math.inf, 0.2), (0.5, 0.0)),  # no flow: nothing changes
    ((0.0, 30.0, math.inf, 0.2), (0.0, 30.0)),  # no flow, spent
    ((0.5, 30.0, 0.0, 0.2), (0.5, 30.0)),  # no bed at all
    ((0.5, 30.0, 2.0, 0.0), (0.5, 30.0 * math.exp(-1.0))),  # a bed that does not wear
    ((1.0, 30.0, 5000.0, 0.2), (1.0 - 6.0 / 5000.0, 0.0)),  # a huge bed takes all
    ((math.nan, 30.0, 40.0, 0.2), (math.nan, math.nan)),
    ((0.5, math.nan, 40.0, 0.2), (math.nan, math.nan)),
    ((0.5, 30.0, math.nan, 0.2), (math.nan, math.nan)),
    ((0.5, 30.0, 40.0, math.nan), (math.nan, math.nan)),
    ((-0.1, 30.0, 40.0, 0.2), (math.nan, math.nan)),
    ((1.1, 30.0, 40.0, 0.2), (math.nan, math.nan)),
    ((0.5, -1.0, 40.0, 0.2), (math.nan, math.nan)),
    ((0.5, math.inf, 40.0, 0.2), (math.nan, math.nan)),
    ((0.5, 30.0, -1.0, 0.2), (math.nan, math.nan)),
    ((0.5, 30.0, 40.0, -1.0), (math.nan, math.nan)),
]


def test_limits_and_bad_input_in_one_vector() -> None:
    columns = np.array([case for case, _ in LIMITS]).T
    passed = advance(
        columns[0], dose_mg_day_l=columns[1], transfer_units=columns[2], rate_l_mg_day=columns[3]
    )
    expected = np.array([answer for _, answer in LIMITS])
    np.testing.assert_allclose(passed.remaining, expected[:, 0], atol=1e-12)
    np.testing.assert_allclose(passed.dose_out_mg_day_l, expected[:, 1], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(("case", "answer"), LIMITS)
def test_limits_and_bad_input_as_scalars(
    case: tuple[float, ...], answer: tuple[float, float]
) -> None:
    remaining, dose, units, rate = case
    passed = advance(remaining, dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=rate)
    assert passed.remaining == pytest.approx(answer[0], nan_ok=True, abs=1e-12)
    assert passed.dose_out_mg_day_l == pytest.approx(answer[1], nan_ok=True, abs=1e-12)


@given(states, doses, units_of, rates, st.floats(0.05, 5.0))
def test_what_enters_is_kept_or_leaves(
    state: float, dose: float, units: float, rate: float, weight: float
) -> None:
    """Mass balance to 1e-9: the bed gains (S - S') M, that is b Q (S - S')/k, per weight."""
    passed = advance(
        state, dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=rate, weight=weight
    )
    kept = (state - passed.remaining) * units / (rate * weight)
    assert kept + passed.dose_out_mg_day_l == pytest.approx(
        dose, rel=1e-9, abs=1e-9 / (rate * weight)
    )
    assert 0.0 <= passed.remaining <= state
    assert 0.0 <= passed.dose_out_mg_day_l <= dose


@given(states, doses, units_of, rates, st.floats(0.0, 1.0))
def test_only_the_dose_counts_not_its_shape(
    state: float, dose: float, units: float, rate: float, cut: float
) -> None:
    whole = advance(state, dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=rate)
    first = advance(state, dose_mg_day_l=cut * dose, transfer_units=units, rate_l_mg_day=rate)
    second = advance(
        first.remaining, dose_mg_day_l=dose - cut * dose, transfer_units=units, rate_l_mg_day=rate
    )
    scale = max(1.0, rate * dose)
    assert second.remaining == pytest.approx(whole.remaining, abs=1e-12 * scale / units + 1e-12)
    out = first.dose_out_mg_day_l + second.dose_out_mg_day_l
    assert out == pytest.approx(whole.dose_out_mg_day_l, rel=1e-9, abs=1e-9 * scale / rate)


def test_each_argument_has_its_own_effect() -> None:
    base = advance(0.5, **BASE)
    for name, factor in (("dose_mg_day_l", 1.3), ("transfer_units", 0.8), ("rate_l_mg_day", 1.3)):
        moved = advance(0.5, **{**BASE, name: factor * BASE[name]})
        assert moved.remaining != pytest.approx(base.remaining, rel=1e-6)
    assert advance(0.5, **BASE, weight=2.0).remaining < base.remaining
    assert advance(0.6, **BASE).dose_out_mg_day_l < base.dose_out_mg_day_l


def test_time_to_a_limit_is_when_the_outlet_meets_it() -> None:
    state = np.array([1.0, 0.7, 0.3])
    at = {"inlet_mg_l": 2.0, "transfer_units": 50.0, "rate_l_mg_day": 0.2}
    days = days_to_outlet(state, limit_mg_l=0.1, **at)
    assert (days > 0).all()
    np.testing.assert_allclose(outlet_mg_l(state, elapsed_days=days, **at), 0.1, rtol=1e-9)


def test_time_to_a_limit_at_its_edges() -> None:
    cases = [
        # state, limit, inlet, units, rate -> days
        ((0.0, 0.1, 2.0, 50.0, 0.2), 0.0),  # spent
        ((1.0, 2.0, 2.0, 50.0, 0.2), math.inf),  # inlet at the limit
        ((0.0, 3.0, 2.0, 50.0, 0.2), math.inf),  # inlet below the limit
        ((1.0, 0.1, 2.0, math.inf, 0.2), math.inf),  # no flow
        ((1.0, 0.1, 2.0, 50.0, 0.0), math.inf),  # never wears
        ((0.0, 0.1, 2.0, 50.0, 0.0), 0.0),  # never wears, passes now
        ((1.0, 0.1, 0.0, 50.0, 0.2), math.inf),  # clean water
        ((1.0, 0.0, 2.0, 50.0, 0.2), math.nan),  # no limit
        ((1.0, math.nan, 2.0, 50.0, 0.2), math.nan),
        ((2.0, 0.1, 2.0, 50.0, 0.2), math.nan),
    ]
    columns = np.array([case for case, _ in cases]).T
    names = ("limit_mg_l", "inlet_mg_l", "transfer_units", "rate_l_mg_day")
    together = days_to_outlet(columns[0], **dict(zip(names, columns[1:], strict=True)))
    np.testing.assert_allclose(together, [answer for _, answer in cases])
    for (state, *rest), answer in cases:
        alone = days_to_outlet(state, **dict(zip(names, rest, strict=True)))
        assert alone == pytest.approx(answer, nan_ok=True)


def test_nan_and_out_of_range_for_the_other_formulas() -> None:
    assert np.isnan(outlet_ratio([math.nan, -0.1, 1.1], transfer_units=3.0)).all()
    assert outlet_ratio(1.0, transfer_units=math.inf) == 0.0
    ageing = aged([0.5, 0.5, 1.5], days=[-1.0, 1.0, 1.0], decay_per_day=[0.1, -0.1, 0.1])
    assert np.isnan(ageing).all()
    at = {"inlet_mg_l": 2.0, "capacity_mg": 7e4, "rate_l_mg_day": 0.2}
    flows = [0.0, -1.0, math.nan]
    assert np.isnan(bohart_adams_outlet(time_days=1.0, flow_l_day=flows, **at)).all()
    assert np.isnan(bdst_days(limit_mg_l=[0.0, 2.0, 3.0], flow_l_day=190.0, **at)).all()
    assert np.isnan(
        outlet_mg_l(1.0, inlet_mg_l=2.0, elapsed_days=-1.0, transfer_units=9.0, rate_l_mg_day=0.2)
    )


def test_ageing_scales_what_is_left() -> None:
    assert aged(0.8, days=10.0, decay_per_day=0.01) == pytest.approx(0.8 * math.exp(-0.1))
    assert aged(0.8, days=10.0, decay_per_day=0.0) == 0.8


def test_a_species_that_is_not_there_changes_nothing() -> None:
    alone = advance(0.6, **BASE)
    both = advance_two(
        0.6,
        free_dose_mg_day_l=BASE["dose_mg_day_l"],
        combined_dose_mg_day_l=0.0,
        transfer_units_free=BASE["transfer_units"],
        transfer_units_combined=9.0,
        rate_free_l_mg_day=BASE["rate_l_mg_day"],
        rate_combined_l_mg_day=0.05,
        substeps=7,
    )
    assert both.remaining == pytest.approx(float(alone.remaining), rel=1e-10)
    assert both.free_out_mg_day_l == pytest.approx(float(alone.dose_out_mg_day_l), rel=1e-9)
    assert both.combined_out_mg_day_l == 0.0
    with pytest.raises(ValueError, match="substeps"):
        advance_two(
            0.6,
            free_dose_mg_day_l=1.0,
            combined_dose_mg_day_l=1.0,
            transfer_units_free=9.0,
            transfer_units_combined=9.0,
            rate_free_l_mg_day=0.1,
            rate_combined_l_mg_day=0.1,
            substeps=0,
        )
