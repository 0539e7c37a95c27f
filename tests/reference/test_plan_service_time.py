"""The renewals of a carbon against the bed-depth service time.

Hutchins 1973, in Thomas & Crittenden 1998, eqs 6.55-6.59: t = N0 x/(C0 u) - ln(C0/Cb - 1)/(k C0),
natural logarithm; written out here, not called. A bed that is renewed each time it is spent is
renewed at multiples of it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from ..physics.plans import new_train, plan, water, weak_carbon

FLOW_L_DAY = 250.0
CAPACITY_MG = 80_000.0
LIMIT_MG_L = 0.1


@pytest.mark.parametrize("transfer_units", [8.0, 20.0, 60.0])
@pytest.mark.parametrize("tap_mg_l", [0.8, 2.0, 4.0])
def test_renewals_come_at_multiples_of_the_bed_depth_service_time(
    transfer_units: float, tap_mg_l: float
) -> None:
    """The textbook takes e^b - 1 for e^b: at b = 8 that is 3 in 10,000 of one depth."""
    rate_l_mg_day = transfer_units * FLOW_L_DAY / CAPACITY_MG
    service_days = CAPACITY_MG / (FLOW_L_DAY * tap_mg_l) - math.log(tap_mg_l / LIMIT_MG_L - 1.0) / (
        rate_l_mg_day * tap_mg_l
    )
    medium = weak_carbon(
        transfer_units=transfer_units, flow_l_day=FLOW_L_DAY, capacity_mg=CAPACITY_MG
    )
    found = plan(
        new_train(medium, flow_l_day=FLOW_L_DAY, source=water((0.0, tap_mg_l, 0.0))),
        horizon_days=1500.0,
    )
    expected = service_days * np.arange(1, math.floor(1500.0 / service_days) + 1)
    np.testing.assert_allclose([one.day for one in found.renewals], expected, rtol=1e-4)


def test_a_rotating_pair_takes_one_cartridge_for_each_service_time_of_the_first_bed() -> None:
    """The lag of a pair is fresh while the lead holds, so the round is the lead's service time.

    At 20 transfer units less than 1 in 100 of a bed is used while it waits behind another.
    """
    medium = weak_carbon(transfer_units=20.0, flow_l_day=FLOW_L_DAY, capacity_mg=CAPACITY_MG)
    service_days = CAPACITY_MG / (FLOW_L_DAY * 2.0) - math.log(19.0) / (
        20.0 * FLOW_L_DAY / CAPACITY_MG * 2.0
    )
    found = plan(new_train(medium, medium, flow_l_day=FLOW_L_DAY), horizon_days=3000.0).renewals
    assert len(found) >= 20
    np.testing.assert_allclose(np.diff([0.0, *(one.day for one in found)]), service_days, rtol=0.01)
