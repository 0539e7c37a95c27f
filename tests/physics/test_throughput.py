"""Water through the train: each rule on a case small enough to work out by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cartridges.physics.correction import METER_REL_SD, PRIOR_SD
from cartridges.physics.throughput import (
    METERED,
    RESTRICTOR,
    SHUT,
    BucketTest,
    Restrictor,
    Shutoff,
    Steps,
    throughput,
)
from cartridges.physics.water import viscosity_mpa_s

from .flows import PRESSURE, SUPPLY, TEMPERATURE, meter, orifice


def test_without_a_meter_the_restrictor_tells() -> None:
    result = throughput(start_day=0, end_day=10, restrictors=[orifice(-3, 200)], **SUPPLY)
    assert result.segments.flow_l_day.tolist() == [200]
    assert result.segments.origin.tolist() == [RESTRICTOR]
    assert result.segments.rel_sd.tolist() == [PRIOR_SD]
    assert result.future_flow_l_day == 200
    assert result.future_rel_sd == PRIOR_SD
    assert result.correction.observations == 0


def test_before_the_first_restrictor_no_water_passes() -> None:
    result = throughput(start_day=0, end_day=10, restrictors=[orifice(4, 200)], **SUPPLY)
    assert result.segments.start_day.tolist() == [0, 4]
    assert result.segments.flow_l_day.tolist() == [0, 200]
    assert result.segments.rel_sd.tolist() == [0, PRIOR_SD]


def test_a_restrictor_change_splits_metered_water_by_what_each_would_pass() -> None:
    # 900 L in 10 days, the flow doubled after 5: a + 2a = 900, so 300 L and 600 L.
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(0, 500), orifice(5, 1000)],
        meters=[meter([0, 10], [0, 900])],
        **SUPPLY,
    )
    assert result.segments.volume_l == pytest.approx([300, 600])
    assert result.segments.origin.tolist() == [METERED, METERED]
    assert result.segments.rel_sd.tolist() == [METER_REL_SD, METER_REL_SD]


def test_a_shut_off_takes_none_of_the_metered_water() -> None:
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(0, 500)],
        meters=[meter([0, 10], [0, 900])],
        shutoffs=[Shutoff(2, 3)],
        **SUPPLY,
    )
    assert result.segments.flow_l_day == pytest.approx([100, 0, 100])
    assert result.segments.origin.tolist() == [METERED, SHUT, METERED]
    assert result.segments.rel_sd.tolist() == [METER_REL_SD, 0, METER_REL_SD]


def test_a_pressure_change_splits_metered_water_by_the_law() -> None:
    # An orifice at four times the pressure passes twice the flow.
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(0, 500)],
        meters=[meter([0, 10], [0, 900])],
        pressure_kpa=Steps([0, 5], [100, 400]),
        temperature_c=TEMPERATURE,
    )
    assert result.segments.volume_l == pytest.approx([300, 600])


def test_a_change_that_alters_no_flow_makes_no_new_segment() -> None:
    steady = Restrictor(0, 500, exponent=0, laminar=False)
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[steady],
        meters=[meter([0, 10], [0, 900])],
        pressure_kpa=Steps([0, 5], [100, 400]),
        temperature_c=Steps([0, 3], [5, 20]),
    )
    assert result.segments.flow_l_day.tolist() == [90]


def test_cold_supply_slows_an_unmetered_capillary() -> None:
    capillary = Restrictor(0, 300, rated_pressure_kpa=400, exponent=1, laminar=True)
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[capillary],
        pressure_kpa=Steps([0], [200]),
        temperature_c=Steps([0], [5]),
    )
    thinner = viscosity_mpa_s(temperature_c=25) / viscosity_mpa_s(temperature_c=5)
    assert result.segments.flow_l_day == pytest.approx([150 * thinner], rel=1e-12)


def test_all_shut_but_metered_water_is_kept_and_spread_evenly() -> None:
    # The meter moved although the water was said to be off: the volume is still exact.
    result = throughput(
        start_day=0,
        end_day=4,
        restrictors=[orifice(0, 500)],
        meters=[meter([0, 4], [0, 8])],
        shutoffs=[Shutoff(0)],
        **SUPPLY,
    )
    assert result.segments.flow_l_day == pytest.approx([2])
    assert result.segments.origin.tolist() == [METERED]


def test_metered_time_before_the_first_restrictor_counts_as_if_it_were_there() -> None:
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(5, 500)],
        meters=[meter([0, 10], [0, 900])],
        **SUPPLY,
    )
    assert result.segments.flow_l_day == pytest.approx([90, 90])
    assert result.correction.observations == 0


def test_replaced_meter_continues_where_the_old_one_ended() -> None:
    result = throughput(
        start_day=0,
        end_day=20,
        restrictors=[orifice(0, 100)],
        meters=[meter([10, 20], [7, 1207]), meter([0, 10], [5000, 5800])],
        **SUPPLY,
    )
    assert result.segments.volume_l == pytest.approx([800, 1200])


def test_two_meters_at_once_are_refused() -> None:
    with pytest.raises(ValueError, match="same time"):
        throughput(
            start_day=0,
            end_day=20,
            restrictors=[orifice(0, 100)],
            meters=[meter([0, 10], [0, 800]), meter([9, 20], [0, 1200])],
            **SUPPLY,
        )


def test_water_metered_partly_outside_the_time_asked_for_is_clipped() -> None:
    result = throughput(
        start_day=4,
        end_day=6,
        restrictors=[orifice(0, 100)],
        meters=[meter([0, 10], [0, 900])],
        **SUPPLY,
    )
    assert result.segments.start_day.tolist() == [4]
    assert result.segments.total_l == pytest.approx(180)


def test_unmetered_time_uses_what_was_known_at_that_time() -> None:
    # Measured at 0.9 of the law from day 10 to 20; before that nothing was known.
    result = throughput(
        start_day=0,
        end_day=30,
        restrictors=[orifice(0, 1000)],
        meters=[meter([10, 20], [0, 9000])],
        **SUPPLY,
    )
    before, metered, after = result.segments.flow_l_day
    assert before == 1000
    assert metered == pytest.approx(900)
    assert after == pytest.approx(900, rel=0.01)
    assert result.future_flow_l_day == pytest.approx(after)
    assert result.segments.rel_sd[2] < 0.04 < result.segments.rel_sd[0]


def test_hindsight_carries_a_later_measurement_back() -> None:
    asked = {
        "start_day": 0,
        "end_day": 30,
        "restrictors": [orifice(0, 1000)],
        "bucket_tests": [BucketTest(30, 900, 0.03)],
        **SUPPLY,
    }
    then = throughput(**asked)
    now = throughput(**asked, hindsight=True)
    assert then.segments.flow_l_day == pytest.approx([1000])
    assert now.segments.flow_l_day == pytest.approx([900], rel=0.012)
    assert now.segments.rel_sd[0] < then.segments.rel_sd[0]
    assert now.correction == then.correction


def test_a_bucket_test_teaches_future_flow() -> None:
    result = throughput(
        start_day=0,
        end_day=30,
        restrictors=[orifice(0, 1000)],
        bucket_tests=[BucketTest(30, 900, 0.03)],
        **SUPPLY,
    )
    # Prior ln 1 ± 0.10, test ln 0.9 ± 0.03: the mean weighted by the inverse variances.
    gain = 0.10**2 / (0.10**2 + 0.03**2)
    assert result.future_flow_l_day == pytest.approx(1000 * 0.9**gain, rel=1e-12)
    assert result.future_rel_sd == pytest.approx((1 / 0.10**2 + 1 / 0.03**2) ** -0.5, rel=1e-12)


def test_no_flow_is_known_better_than_a_meter_could_tell_it() -> None:
    result = throughput(
        start_day=0,
        end_day=31,
        restrictors=[orifice(0, 1000)],
        bucket_tests=[BucketTest(day, 900, 0.02) for day in range(30)],
        **SUPPLY,
    )
    assert result.correction.rel_sd < METER_REL_SD
    assert result.future_rel_sd == METER_REL_SD
    assert result.segments.rel_sd[-1] == METER_REL_SD


def test_bucket_tests_of_nothing_or_while_shut_or_too_early_teach_nothing() -> None:
    result = throughput(
        start_day=0,
        end_day=30,
        restrictors=[orifice(5, 1000)],
        bucket_tests=[BucketTest(1, 900), BucketTest(12, 900), BucketTest(20, 0)],
        shutoffs=[Shutoff(11, 13)],
        **SUPPLY,
    )
    assert result.correction.observations == 0


@pytest.mark.parametrize(("open_days", "learns"), [(4.0, False), (6.0, True)])
def test_a_mostly_shut_interval_teaches_nothing(open_days: float, learns: bool) -> None:
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(0, 1000)],
        meters=[meter([0, 10], [0, 900 * open_days])],
        shutoffs=[Shutoff(open_days, 10)],
        **SUPPLY,
    )
    assert result.correction.observations == int(learns)
    assert (result.correction.factor < 0.95) == learns
    assert result.segments.total_l == pytest.approx(900 * open_days)


def test_an_open_ended_shut_off_stops_the_future_but_says_what_would_pass() -> None:
    asked = {"start_day": 0, "end_day": 10, "restrictors": [orifice(0, 200)], **SUPPLY}
    shut = throughput(**asked, shutoffs=[Shutoff(6)])
    assert (shut.future_flow_l_day, shut.open_flow_l_day) == (0, 200)
    assert shut.segments.flow_l_day.tolist() == [200, 0]
    planned = throughput(**asked, shutoffs=[Shutoff(6, 12)])
    assert (planned.future_flow_l_day, planned.open_flow_l_day) == (200, 200)


def test_overlapping_shut_offs_count_once() -> None:
    result = throughput(
        start_day=0,
        end_day=10,
        restrictors=[orifice(0, 200)],
        shutoffs=[Shutoff(2, 5), Shutoff(4, 6), Shutoff(2, 3)],
        **SUPPLY,
    )
    assert result.segments.total_l == pytest.approx(6 * 200)
    assert result.segments.end_day.tolist() == [2, 6, 10]


def test_with_no_restrictor_named_the_metered_flow_goes_on() -> None:
    result = throughput(
        start_day=0,
        end_day=20,
        restrictors=[],
        meters=[meter([0, 10], [0, 1200])],
        shutoffs=[Shutoff(4, 6)],
        **SUPPLY,
    )
    # 1,200 L in the 8 days that the water was on.
    assert result.segments.flow_l_day == pytest.approx([150, 0, 150, 150])
    assert result.future_flow_l_day == pytest.approx(150)


def test_with_no_restrictor_named_a_bucket_test_tells_the_flow() -> None:
    result = throughput(
        start_day=0, end_day=20, restrictors=[], bucket_tests=[BucketTest(8, 150)], **SUPPLY
    )
    assert result.segments.flow_l_day == pytest.approx([150, 150])
    assert result.future_flow_l_day == pytest.approx(150)


def test_with_nothing_known_no_water_passes() -> None:
    result = throughput(start_day=0, end_day=20, restrictors=[], **SUPPLY)
    assert result.segments.total_l == 0
    assert result.segments.rel_sd.tolist() == [0]
    assert (result.future_flow_l_day, result.correction.observations) == (0, 0)


def test_a_new_restrictor_is_less_surely_known_than_the_measured_one() -> None:
    measured = {
        "start_day": 0,
        "end_day": 100,
        "bucket_tests": [BucketTest(day, 800) for day in (50, 60, 70, 80, 90)],
        **SUPPLY,
    }
    kept = throughput(restrictors=[orifice(0, 1000)], **measured)
    changed = throughput(restrictors=[orifice(0, 1000), orifice(95, 1000)], **measured)
    assert kept.future_rel_sd < 0.05 < changed.future_rel_sd < PRIOR_SD
    # Part of the shortfall was the old restrictor's own, so less of it is expected to stay.
    assert kept.future_flow_l_day < changed.future_flow_l_day < 1000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"end_day": 0}, "end after the start"),
        ({"start_day": np.nan}, "finite"),
        ({"restrictors": [orifice(0, 100), orifice(0, 200)]}, "at one moment"),
        ({"temperature_c": Steps([0], [200])}, "temperature"),
    ],
)
def test_bad_arguments_are_refused(change: dict[str, object], words: str) -> None:
    fine = {"start_day": 0, "end_day": 10, "restrictors": [orifice(0, 100)], **SUPPLY}
    with pytest.raises(ValueError, match=words):
        throughput(**(fine | change))


@pytest.mark.parametrize(
    "build",
    [
        lambda: Restrictor(0, 0),
        lambda: Restrictor(0, np.nan),
        lambda: Restrictor(0, np.inf),
        lambda: Restrictor(0, 100, rated_pressure_kpa=0),
        lambda: Restrictor(0, 100, exponent=1.5),
        lambda: Restrictor(np.nan, 100),
        lambda: BucketTest(0, -1),
        lambda: BucketTest(0, np.nan),
        lambda: BucketTest(0, 100, rel_sd=0),
        lambda: Shutoff(5, 5),
        lambda: Shutoff(np.nan),
        lambda: Steps([], []),
        lambda: Steps([0, 0], [1, 2]),
        lambda: Steps([0], [np.nan]),
    ],
)
def test_impossible_facts_are_refused(build: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="must|needs|is needed|two different"):
        build()


def test_no_pressure_passes_no_water_whatever_the_restrictor() -> None:
    for exponent in (0.0, 0.5, 1.0):
        result = throughput(
            start_day=0,
            end_day=10,
            restrictors=[Restrictor(0, 300, exponent=exponent)],
            pressure_kpa=Steps([0], [0]),
            temperature_c=TEMPERATURE,
        )
        assert result.segments.total_l == 0
    assert PRESSURE.at([-1e6, 1e6]).tolist() == [PRESSURE.value[0]] * 2
