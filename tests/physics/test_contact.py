"""Contact time at its limits; guidance for each disinfectant."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.contact import (
    bed_volume_for_contact_l,
    contact_guidance,
    empty_bed_contact_min,
)

POSITIVE = st.floats(1e-3, 1e6)


@given(bed_volume_l=POSITIVE, flow_l_day=POSITIVE)
def test_volume_and_contact_undo_each_other(bed_volume_l: float, flow_l_day: float) -> None:
    contact = empty_bed_contact_min(bed_volume_l=bed_volume_l, flow_l_day=flow_l_day)
    back = bed_volume_for_contact_l(contact_min=contact, flow_l_day=flow_l_day)
    assert back == pytest.approx(bed_volume_l, rel=1e-12)


def test_a_litre_at_a_litre_a_minute_is_one_minute() -> None:
    # By the definition of the quantity.
    assert empty_bed_contact_min(bed_volume_l=1.0, flow_l_day=1440.0) == pytest.approx(1.0)


def test_no_flow_bad_values_and_nan() -> None:
    contact = empty_bed_contact_min(
        bed_volume_l=[1.0, 0.0, -1.0, 1.0, np.nan, 1.0, 0.0],
        flow_l_day=[0.0, 1.0, 1.0, -1.0, 1.0, np.nan, 0.0],
    )
    assert contact[0] == np.inf
    assert contact[1] == 0
    assert np.isnan(contact[2:]).all()
    assert np.isnan(bed_volume_for_contact_l(contact_min=[-1.0, np.nan, 1], flow_l_day=-1)).all()


def test_free_chlorine_guidance_says_that_it_has_no_source() -> None:
    guidance = contact_guidance("free_chlorine")
    assert guidance.source == "common practice, no source"
    assert guidance.in_all_min < contact_guidance("chloramine").in_all_min


def test_unknown_disinfectant_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="'ozone'"):
        contact_guidance("ozone")
