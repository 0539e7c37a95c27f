"""From rows to the model's inputs: nothing lost, nothing later than now, nothing withdrawn."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from django.utils import timezone

from cartridges.models import (
    FlowTest,
    Meter,
    MeterReading,
    OutletTest,
    OwnFigure,
    PressureReading,
    RestrictorFitting,
    SourceReading,
    SwitchPeriod,
    Train,
)
from cartridges.services import acts, stages
from cartridges.services.timeline import NotEnough, Timeline, day_of, moment_of
from hobbyhydro.households.models import User
from tests.trains import L_PER_GAL

DAY = dt.timedelta(days=1)


def line(train: Train) -> Timeline:
    return Timeline(train, timezone.now())


def test_day_axis_goes_there_and_back():
    moment = dt.datetime(2024, 2, 29, 18, 30, tzinfo=dt.UTC)
    assert moment_of(day_of(moment)) == moment
    assert moment_of(np.inf) is None


def test_metered_water_is_what_the_meter_says(train: Train):
    found = line(train)
    last = train.meter_readings.standing().in_order().last()
    metered = found.throughput.segments.between(start_day=found.start_day, end_day=day_of(last.at))
    assert metered.total_l == pytest.approx(last.reading_l, rel=1e-9)


def test_placings_follow_the_stages_in_the_order_of_the_water(train: Train):
    placings = line(train).inputs.placings
    assert [(p.stage, p.medium.kind) for p in placings] == [
        (1, "sediment"),
        (2, "carbon_block"),
        (3, "catalytic_carbon"),
    ]


def test_the_package_reaches_the_model(train: Train):
    catalytic = line(train).inputs.placings[2].medium
    assert catalytic.free_claim.rated_volume_l == pytest.approx(6_000 * L_PER_GAL)
    assert catalytic.chloramine_claim.rated_flow_l_day == pytest.approx(0.5 * 1440 * L_PER_GAL)
    assert catalytic.chloramine_claim.end_reduction == pytest.approx(1 - 0.5 / 3, abs=1e-4)


def test_own_figure_stands_in_for_the_package_until_undone(train: Train, keeper: User):
    spec = train.fittings.get(stage__position=2).cartridge.spec
    own = acts.log(
        OwnFigure(
            household=train.household,
            spec=spec,
            figure="capacity_mg",
            value=12_345.0,
            at=timezone.now() - DAY,
        ),
        by=keeper,
    )
    assert line(train).inputs.placings[1].medium.capacity_mg == 12_345.0
    acts.undo(own, by=keeper)
    assert line(train).inputs.placings[1].medium.capacity_mg is None


def test_withdrawn_facts_do_not_count(train: Train, keeper: User):
    before = line(train).throughput.segments.total_l
    bogus = acts.log(
        FlowTest(train=train, at=timezone.now() - DAY, volume_l=1.0, duration_s=60.0), by=keeper
    )
    assert line(train).throughput.segments.total_l != pytest.approx(before, rel=1e-6)
    acts.undo(bogus, by=keeper)
    assert line(train).throughput.segments.total_l == pytest.approx(before, rel=1e-6)


def test_facts_later_than_now_do_not_count(train: Train, keeper: User):
    now = timezone.now()
    expected = Timeline(train, now).inputs
    acts.log(
        OutletTest(
            train=train,
            stage=train.stages.get(position=2),
            at=now + 3 * DAY,
            value_mg_l=0.5,
        ),
        by=keeper,
    )
    acts.log(RestrictorFitting(train=train, at=now + 3 * DAY, rated_flow_l_day=1000.0), by=keeper)
    found = Timeline(train, now).inputs
    assert found.outlet_readings == expected.outlet_readings == ()
    assert found.future_flow_l_day == pytest.approx(expected.future_flow_l_day)


def test_a_replaced_meter_goes_on_from_its_own_start(train: Train, keeper: User):
    now = timezone.now()
    swapped = now - 5 * DAY
    new = Meter.objects.create(train=train, unit="gal", fitted_at=swapped, start_l=100.0)
    acts.log(
        MeterReading(train=train, meter=new, at=now - DAY, reading_l=100.0 + 4 * 500.0), by=keeper
    )
    segments = line(train).throughput.segments.between(
        start_day=day_of(swapped), end_day=day_of(now - DAY)
    )
    assert segments.total_l == pytest.approx(2_000.0, rel=1e-9)


def test_a_cartridge_that_leaves_empties_its_stage(train: Train, keeper: User):
    stage = train.stages.get(position=3)
    acts.empty(stage=stage, at=timezone.now() - DAY, by=keeper)
    placings = line(train).inputs.placings
    assert (placings[-1].stage, placings[-1].cartridge) == (3, None)


def test_pressure_temperature_and_turbidity_come_from_what_was_read(train: Train, keeper: User):
    train.meter_readings.all().delete()
    train.meters.all().delete()
    at = timezone.now() - DAY
    acts.log(PressureReading(train=train, at=at, before_kpa=300.0), by=keeper)
    acts.log(
        SourceReading(source=train.source, at=at, temperature_c=9.0, turbidity_ntu=2.5), by=keeper
    )
    found = line(train)
    assert found.temperature_c == 9.0
    assert found.turbidity_ntu == 2.5
    # A capillary's flow goes as pressure over viscosity: 300/413.685, colder than the rating.
    assert found.throughput.segments.flow_l_day[-1] < 50 * L_PER_GAL * 300 / 413.685


def test_gauges_around_a_stage_become_its_pressure_drop(train: Train, keeper: User):
    sediment = train.stages.get(position=1)
    acts.log(
        PressureReading(
            train=train,
            stage=sediment,
            at=timezone.now() - DAY,
            before_kpa=400.0,
            after_kpa=380.0,
        ),
        by=keeper,
    )
    [pair] = line(train).inputs.pressure_pairs
    assert (pair.stage, pair.drop_kpa) == (1, 20.0)


def test_a_declared_switch_reaches_past_and_future(train: Train, keeper: User):
    now = timezone.now()
    for start, end in ((-20, -10), (30, 60)):
        acts.log(
            SwitchPeriod(
                source=train.source, at=now + start * DAY, until=now + end * DAY, to="free_chlorine"
            ),
            by=keeper,
        )
    found = Timeline(train, now)
    past, future = found.source
    for steps, middle in ((past, -15), (future, 45)):
        day = found.now_day + middle
        [k] = np.flatnonzero((steps.start_day <= day) & (day < steps.end_day))
        assert steps.combined_mg_l[k] == 0.0
        assert steps.free_mg_l[k] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("gone", "missing"),
    [("restrictors meter_readings meters", "restrictor"), ("source.readings", "source-test")],
)
def test_what_is_missing_is_named(train: Train, gone: str, missing: str):
    for path in gone.split():
        holder = train
        *inner, name = path.split(".")
        for step in inner:
            holder = getattr(holder, step)
        getattr(holder, name).all().delete()
    with pytest.raises(NotEnough) as error:
        assert line(train).inputs
    assert error.value.missing == missing


def test_only_free_chlorine_in_a_chloramine_city_is_not_enough(train: Train):
    train.source.readings.update(total_mg_l=None)
    with pytest.raises(NotEnough, match="total chlorine"):
        assert line(train).inputs


def test_a_typical_figure_leaves_the_tap_as_unsure_as_it_gets(train: Train):
    measured = line(train)
    assert not measured.tap_is_typical
    assert measured.source[0].rel_sd.min() < 0.25
    train.source.readings.update(origin="typical")
    typical = line(train)
    assert typical.tap_is_typical
    assert typical.source[0].rel_sd == pytest.approx(0.25)


def test_two_cartridges_put_in_at_one_moment_leave_the_later_entry(train: Train, keeper: User):
    at = timezone.now() - DAY
    spec = train.fittings.get(stage__position=2).cartridge.spec
    first, second = acts.buy(household=train.household, spec=spec, count=2)
    for cartridge in (first, second):
        acts.swap(stage=train.stages.get(position=2), cartridge=cartridge, at=at, by=keeper)
    [placed] = [p for p in line(train).inputs.placings if p.day == day_of(at)]
    assert placed.cartridge == str(second.pk)


def test_a_household_can_be_deleted_with_its_corrected_facts(train: Train, keeper: User):
    last = train.meter_readings.in_order().last()
    acts.correct(last, by=keeper, why="misread", reading_l=last.reading_l + 1)
    train.household.delete()
    assert not Train.objects.exists()


def test_another_stated_pressure_counts_from_now_where_one_was_read(train: Train, keeper: User):
    acts.log(
        PressureReading(train=train, at=timezone.now() - 30 * DAY, before_kpa=400.0), by=keeper
    )
    before = line(train).throughput
    stages.change_train(train, {"supply_pressure_kpa": 200.0}, by=keeper)
    after = line(train).throughput
    assert after.open_flow_l_day == pytest.approx(before.open_flow_l_day / 2, rel=0.01)
    assert after.segments.total_l == pytest.approx(before.segments.total_l, rel=1e-3)
    assert train.pressures.standing().last().logged_by == keeper
