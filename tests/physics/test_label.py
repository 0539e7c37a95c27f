"""From a package to a bed, and packages that cannot be."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.bed import bohart_adams_outlet
from cartridges.physics.bed_spec import bed_spec
from cartridges.physics.label import (
    CHLORAMINE_RATE_CATALYTIC_PER_MIN,
    CHLORAMINE_RATE_ORDINARY_PER_MIN,
    Claim,
    LabelError,
    bed_from_claim,
    chloramine_rate_from_contact,
)

from .scenarios import BOTH, CARBON, CHLORAMINE_CLAIM, FREE_CLAIM, SEDIMENT

claims = st.builds(
    Claim,
    rated_volume_l=st.floats(100.0, 1e6),
    rated_flow_l_day=st.floats(10.0, 1e5),
    challenge_mg_l=st.floats(0.1, 5.0),
    initial_reduction=st.floats(0.85, 0.9999),
    end_reduction=st.floats(0.05, 0.8),
)


@given(claims)
def test_the_bed_meets_its_claim_at_both_ends(claim: Claim) -> None:
    bed = bed_from_claim(claim=claim)
    new, spent = bohart_adams_outlet(
        time_days=[0.0, claim.rated_volume_l / claim.rated_flow_l_day],
        inlet_mg_l=claim.challenge_mg_l,
        flow_l_day=claim.rated_flow_l_day,
        capacity_mg=bed.capacity_mg,
        rate_l_mg_day=bed.rate_l_mg_day,
    )
    assert 1 - new / claim.challenge_mg_l == pytest.approx(claim.initial_reduction, abs=1e-9)
    assert 1 - spent / claim.challenge_mg_l == pytest.approx(claim.end_reduction, abs=1e-9)
    units = bed.rate_l_mg_day * bed.capacity_mg / claim.rated_flow_l_day
    assert units == pytest.approx(bed.transfer_units_rated)


def test_check_values_of_the_worked_label() -> None:
    """Regression: 10,000 US gal, 0.75 gpm, 2 mg/L, 0.97 and 0.5, from our own prototype."""
    bed = bed_from_claim(claim=FREE_CLAIM)
    assert bed.transfer_units_rated == pytest.approx(3.50656, abs=5e-6)
    assert bed.capacity_mg / 1000 == pytest.approx(76.3716, abs=5e-5)
    assert bed.rate_l_mg_day == pytest.approx(0.187709, abs=5e-7)
    challenge_mg = FREE_CLAIM.challenge_mg_l * FREE_CLAIM.rated_volume_l
    assert bed.capacity_mg == pytest.approx(1.009 * challenge_mg, rel=5e-4)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("rated_volume_l", 0.0, "rated volume"),
        ("rated_volume_l", math.nan, "rated volume"),
        ("rated_flow_l_day", 0.0, "rated flow"),
        ("rated_flow_l_day", -3.0, "rated flow"),
        ("challenge_mg_l", math.inf, "test water"),
        ("initial_reduction", 1.0, "when new"),
        ("initial_reduction", 0.5, "must be above the reduction at the rated volume"),
        ("initial_reduction", 0.3, "must be above the reduction at the rated volume"),
        ("initial_reduction", math.nan, "when new"),
        ("end_reduction", 0.0, "at the rated volume"),
        ("end_reduction", 50.0, "between 0 and 100 %"),
    ],
)
def test_a_package_that_cannot_be_is_refused_with_words(
    field: str, value: float, words: str
) -> None:
    with pytest.raises(LabelError, match=words) as refused:
        bed_from_claim(claim=replace(FREE_CLAIM, **{field: value}))
    assert refused.value.field == field


def test_swapping_capacity_and_rate_would_show() -> None:
    bed = bed_from_claim(claim=FREE_CLAIM)
    right = {"capacity_mg": bed.capacity_mg, "rate_l_mg_day": bed.rate_l_mg_day}
    swapped = {"capacity_mg": bed.rate_l_mg_day, "rate_l_mg_day": bed.capacity_mg}
    at = {"time_days": 60.0, "inlet_mg_l": 2.0, "flow_l_day": 300.0}
    assert bohart_adams_outlet(**at, **right) < 0.1
    assert bohart_adams_outlet(**at, **swapped) > 1.9


@pytest.mark.parametrize("field", ["first_order_rate_per_min", "bed_volume_l", "capacity_mg"])
def test_contact_rate_needs_all_three(field: str) -> None:
    arguments = {"first_order_rate_per_min": 0.15, "bed_volume_l": 0.6, "capacity_mg": 7e4}
    with pytest.raises(LabelError):
        chloramine_rate_from_contact(**{**arguments, field: 0.0})


def test_without_a_chloramine_claim_the_contact_time_stands_in() -> None:
    ordinary = bed_spec(medium=CARBON, combined_in_water=True)
    catalytic = bed_spec(medium=replace(CARBON, kind="catalytic_carbon"), combined_in_water=True)
    assert ordinary is not None and catalytic is not None
    assert ordinary.combined_rests_on == ("chloramine_rate_ordinary",)
    assert catalytic.combined_rests_on == ("chloramine_rate_catalytic",)
    ratio = catalytic.rate_combined_l_mg_day / ordinary.rate_combined_l_mg_day
    assert ratio == pytest.approx(
        CHLORAMINE_RATE_CATALYTIC_PER_MIN / CHLORAMINE_RATE_ORDINARY_PER_MIN
    )
    assert ordinary.combined_flow_l_day is None


def test_two_claims_give_each_species_the_life_its_own_claim_promises() -> None:
    spec = bed_spec(medium=BOTH, combined_in_water=True)
    assert spec is not None and spec.combined_rests_on == ()
    promised = bed_from_claim(claim=CHLORAMINE_CLAIM)
    # Alone, chloramine meets a bed of capacity M/w and rate w k.
    assert spec.capacity_mg / spec.weight_combined == pytest.approx(promised.capacity_mg)
    assert spec.rate_combined_l_mg_day * spec.weight_combined == pytest.approx(
        promised.rate_l_mg_day
    )


def test_a_chloramine_claim_alone_serves_for_both_and_says_so() -> None:
    medium = replace(CARBON, free_claim=None, chloramine_claim=CHLORAMINE_CLAIM)
    spec = bed_spec(medium=medium, combined_in_water=True)
    assert spec is not None
    assert spec.free_rests_on == ("free_rate_from_chloramine", "capacity_from_chloramine")
    assert spec.rate_free_l_mg_day == spec.rate_combined_l_mg_day


def test_own_numbers_replace_the_label() -> None:
    medium = replace(
        BOTH,
        capacity_mg=50_000.0,
        rate_free_l_mg_day=0.4,
        rate_combined_l_mg_day=0.05,
        flow_exponent=0.3,
        ageing_per_day=0.001,
    )
    spec = bed_spec(medium=medium, combined_in_water=True)
    assert spec is not None
    assert (spec.capacity_mg, spec.rate_free_l_mg_day, spec.rate_combined_l_mg_day) == (
        50_000.0,
        0.4,
        0.05,
    )
    assert (spec.flow_exponent, spec.ageing_per_day) == (0.3, 0.001)
    assert spec.free_rests_on == spec.combined_rests_on == ()


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"free_claim": None}, "capacity_mg"),
        ({"free_claim": None, "capacity_mg": 5e4}, "rate_free_l_mg_day"),
        ({"bed_volume_l": None}, "bed_volume_l"),
        ({"bed_volume_l": 0.0}, "bed_volume_l"),
        ({"capacity_mg": -1.0}, "capacity_mg"),
        ({"rate_free_l_mg_day": math.nan}, "rate_free_l_mg_day"),
        ({"calendar_days": 0.0}, "calendar_days"),
        ({"flow_exponent": 1.5}, "flow_exponent"),
        ({"ageing_per_day": -0.1}, "ageing_per_day"),
        ({"kind": "crystal"}, "kind"),
    ],
)
def test_a_medium_that_does_not_say_enough_is_refused(
    changes: dict[str, object], field: str
) -> None:
    with pytest.raises(LabelError) as refused:
        bed_spec(medium=replace(CARBON, **changes), combined_in_water=True)
    assert refused.value.field == field
    assert len(str(refused.value)) > 10


def test_no_volume_is_needed_where_the_water_holds_no_chloramine() -> None:
    spec = bed_spec(medium=replace(CARBON, bed_volume_l=None), combined_in_water=False)
    assert spec is not None and spec.combined_rests_on == ()


def test_what_takes_out_no_chlorine_has_no_bed() -> None:
    assert bed_spec(medium=SEDIMENT, combined_in_water=True) is None
    other = replace(CARBON, kind="other", free_claim=None)
    assert bed_spec(medium=other, combined_in_water=True) is None
    assert bed_spec(medium=replace(other, free_claim=FREE_CLAIM), combined_in_water=True)
