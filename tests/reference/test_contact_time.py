"""Empty-bed contact time against published worked examples and practice.

Sources: two worked examples of carbon bed sizing for dialysis water, V[ft3] = Q[gpm] · EBCT[min]
/ 7.48 (read); two-bed practice of dialysis water treatment, at least 5 min in each bed and
10 min in all (read).
"""

from __future__ import annotations

import pytest

from cartridges.physics.contact import (
    bed_volume_for_contact_l,
    contact_guidance,
    empty_bed_contact_min,
)
from cartridges.physics.units import L_DAY_PER_US_GAL_MIN, L_PER_FT3


def test_bed_for_5_min_at_12_gal_min_is_8_02_ft3() -> None:
    bed_l = bed_volume_for_contact_l(contact_min=5.0, flow_l_day=12 * L_DAY_PER_US_GAL_MIN)
    assert bed_l / L_PER_FT3 == pytest.approx(8.02, abs=0.005)


def test_contact_of_3_60_ft3_at_6_gal_min_is_4_49_min() -> None:
    contact = empty_bed_contact_min(
        bed_volume_l=3.60 * L_PER_FT3, flow_l_day=6 * L_DAY_PER_US_GAL_MIN
    )
    assert contact == pytest.approx(4.49, abs=0.005)


def test_chloramine_guidance_is_that_of_two_bed_practice() -> None:
    guidance = contact_guidance("chloramine")
    assert (guidance.per_bed_min, guidance.in_all_min) == (5.0, 10.0)
    assert "dialysis" in guidance.source
