"""Loss of chloramine with contact time, against published end points."""

from __future__ import annotations

import math

import pytest

from cartridges.physics.bed import outlet_ratio
from cartridges.physics.label import (
    CHLORAMINE_RATE_CATALYTIC_PER_MIN,
    CHLORAMINE_RATE_ORDINARY_PER_MIN,
    chloramine_rate_from_contact,
)


@pytest.mark.parametrize(
    ("rate_per_min", "contact_min"),
    [(CHLORAMINE_RATE_ORDINARY_PER_MIN, 20.0), (CHLORAMINE_RATE_CATALYTIC_PER_MIN, 8.0)],
)
def test_two_mg_l_fall_to_a_tenth_in_the_published_contact_time(
    rate_per_min: float, contact_min: float
) -> None:
    """Fairey, Speitel & Katz 2007, J. AWWA 99(7):110: 2 to 0.1 mg/L in 20 min (ordinary carbon)
    and in 8 min (catalytic). The rates are printed with two digits."""
    assert 2.0 * math.exp(-rate_per_min * contact_min) == pytest.approx(0.1, rel=0.05)
    # Through the bed: V litres at the flow that gives that contact time.
    volume_l, capacity_mg = 0.8, 40_000.0
    flow_l_day = volume_l / contact_min * 1440.0
    rate = chloramine_rate_from_contact(
        first_order_rate_per_min=rate_per_min, bed_volume_l=volume_l, capacity_mg=capacity_mg
    )
    left = 2.0 * outlet_ratio(1.0, transfer_units=rate * capacity_mg / flow_l_day)
    assert left == pytest.approx(0.1, rel=0.05)
