"""A bed under constant water against the published formulas, written out here once more."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest

from cartridges.physics.bed import (
    advance,
    bdst_days,
    bohart_adams_outlet,
    days_to_outlet,
    outlet_mg_l,
    outlet_ratio,
)

CASES = [
    # capacity mg, rate L/(mg day), flow L/day, inlet mg/L
    (76_000.0, 0.19, 190.0, 2.0),
    (76_000.0, 0.19, 2400.0, 2.0),
    (5_000.0, 0.60, 90.0, 0.6),
    (150_000.0, 0.25, 60.0, 3.0),
]


@pytest.mark.parametrize(("capacity", "rate", "flow", "inlet"), CASES)
@pytest.mark.parametrize("share", [0.02, 0.05, 0.5])
def test_service_time_is_the_textbook_one(
    capacity: float, rate: float, flow: float, inlet: float, share: float
) -> None:
    """BDST, Hutchins 1973 in Thomas & Crittenden 1998, eqs 6.55-6.59: the natural logarithm.

    t = N0 x/(C0 u) - ln(C0/Cb - 1)/(k C0). It writes e^b for e^b - 1, so it differs by
    ln(1 - e^-b)/(k C0).
    """
    limit = share * inlet
    by_hand = capacity / (flow * inlet) - math.log(inlet / limit - 1.0) / (rate * inlet)
    arguments = {"limit_mg_l": limit, "inlet_mg_l": inlet, "rate_l_mg_day": rate}
    assert bdst_days(capacity_mg=capacity, flow_l_day=flow, **arguments) == pytest.approx(by_hand)
    units = rate * capacity / flow
    ours = days_to_outlet(1.0, transfer_units=units, **arguments)
    assert ours == pytest.approx(by_hand + math.log1p(-math.exp(-units)) / (rate * inlet), rel=1e-9)
    common_logarithm = capacity / (flow * inlet) - math.log10(inlet / limit - 1) / (rate * inlet)
    if share < 0.5:
        assert abs(float(ours) - common_logarithm) > 0.5 / (rate * inlet)


@pytest.mark.parametrize(("capacity", "rate", "flow", "inlet"), CASES)
def test_outlet_is_the_full_bohart_adams_formula(
    capacity: float, rate: float, flow: float, inlet: float
) -> None:
    """Bohart & Adams 1920, J. Am. Chem. Soc. 42:523, in 60-digit arithmetic.

    C/C0 = e^(k C0 t) / (e^(k C0 t) + e^(k N0 x/u) - 1). The exponential-only form passes C0.
    """
    life = capacity / (flow * inlet)
    times = np.linspace(0.0, 3.0, 25) * life
    found = bohart_adams_outlet(
        time_days=times, inlet_mg_l=inlet, flow_l_day=flow, capacity_mg=capacity, rate_l_mg_day=rate
    )
    with mpmath.workdps(60):
        for time, value in zip(times, found, strict=True):
            grown = mpmath.exp(mpmath.mpf(rate) * inlet * float(time))
            fresh = mpmath.exp(mpmath.mpf(rate) * capacity / flow)
            exact = inlet * grown / (grown + fresh - 1)
            if exact > 1e-300:
                assert value == pytest.approx(float(exact), rel=1e-11)
    assert (found <= inlet).all()
    # The same bed run by the state, period by period.
    state, units = 1.0, rate * capacity / flow
    for before, after, value in zip(times[:-1], times[1:], found[1:], strict=True):
        state = advance(
            state,
            dose_mg_day_l=inlet * (after - before),
            transfer_units=units,
            rate_l_mg_day=rate,
        ).remaining
        if value > 1e-250:
            by_state = inlet * outlet_ratio(state, transfer_units=units)
            assert by_state == pytest.approx(float(value), rel=1e-9)


@pytest.mark.parametrize(
    ("state", "dose", "units", "rate"),
    [
        (1.0, 50.0, 3.5, 0.19),
        (0.4, 1e-9, 60.0, 0.3),
        (1.0, 400.0, 800.0, 2.0),
        (0.9, 3000.0, 5000.0, 1.0),
        (1e-9, 10.0, 80.0, 0.2),
        (0.02, 7.0, 40.0, 0.2),
    ],
)
def test_update_agrees_with_high_precision_arithmetic(
    state: float, dose: float, units: float, rate: float
) -> None:
    """S' and D_out as model and textbook write them, in 4,000-digit arithmetic."""
    passed = advance(state, dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=rate)
    with mpmath.workdps(4000):
        s, d, b, k = map(mpmath.mpf, (state, dose, units, rate))
        entering = mpmath.expm1(k * d)
        leaving = entering * mpmath.exp(-b * s)
        after = mpmath.log((mpmath.exp(b * s) + entering) / (1 + entering)) / b
        dose_out = mpmath.log1p(leaving) / k
        assert passed.remaining == pytest.approx(float(after), rel=1e-9, abs=1e-13)
        assert passed.dose_out_mg_day_l == pytest.approx(float(dose_out), rel=1e-9, abs=1e-300)


def test_outlet_within_a_period_is_the_outlet_at_its_end() -> None:
    state, units, rate, inlet, days = 0.3, 60.0, 0.25, 1.7, 40.0
    after = advance(state, dose_mg_day_l=inlet * days, transfer_units=units, rate_l_mg_day=rate)
    found = outlet_mg_l(
        state, inlet_mg_l=inlet, elapsed_days=days, transfer_units=units, rate_l_mg_day=rate
    )
    assert found == pytest.approx(
        float(inlet * outlet_ratio(after.remaining, transfer_units=units)), rel=1e-10
    )
