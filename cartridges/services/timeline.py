"""From rows to what the model is given: the only place where facts become physics inputs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from cartridges.models import (
    CartridgeSpec,
    Disinfectant,
    OutletTest,
    OwnFigure,
    SourceReading,
    Stage,
    Train,
)
from cartridges.physics.source import (
    CAP_REL_SD,
    SourceSeries,
    SourceSteps,
    SwitchPeriod,
    TotalUnknown,
    future_source_steps,
    source_steps,
)
from cartridges.physics.throughput import (
    FLOW_LAWS,
    BucketTest,
    MeterRun,
    Restrictor,
    Shutoff,
    Steps,
    Throughput,
    throughput,
)
from cartridges.physics.train import (
    HORIZON_DAYS,
    Medium,
    OutletReading,
    Placing,
    PressurePair,
    TrainInputs,
)

from . import placements
from .packages import medium_of

EPOCH = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
DAY = dt.timedelta(days=1)
TURBIDITY_DAYS = 365.0  # the dirt in the water is taken from the tests of the last year


class NotEnough(ValueError):
    """The train cannot be calculated yet; ``missing`` says in a word what to add."""

    def __init__(self, missing: str, message: str) -> None:
        super().__init__(message)
        self.missing = missing


def day_of(moment: dt.datetime) -> float:
    """The model's day axis: days since the epoch."""
    return (moment - EPOCH) / DAY


def moment_of(day: float) -> dt.datetime | None:
    """Back from the day axis; None for infinity."""
    return EPOCH + day * DAY if np.isfinite(day) else None


@dataclass
class Timeline:
    """All that is written down about one train up to a moment, in the model's terms.

    Each property is read once. Facts later than ``now`` do not count.
    """

    train: Train
    now: dt.datetime

    @cached_property
    def now_day(self) -> float:
        return day_of(self.now)

    @cached_property
    def stays(self) -> list[placements.Stay]:
        return [s for s in placements.stays(self.train) if s.start <= self.now]

    @cached_property
    def stages(self) -> list[Stage]:
        """Every stage there ever was, in the order of the water."""
        return sorted(
            self.train.stages.all(), key=lambda s: (s.position, s.retired_at is None, s.pk)
        )

    @cached_property
    def stage_number(self) -> dict[int, int]:
        """The model numbers stages from 1 in the order of flow; by primary key."""
        return {stage.pk: number for number, stage in enumerate(self.stages, start=1)}

    @cached_property
    def start_day(self) -> float:
        """When water first ran: the first cartridge, or the train's start if that is earlier."""
        first = min((s.start for s in self.stays), default=self.train.started_at)
        return min(day_of(min(first, self.train.started_at)), self.now_day - 1e-3)

    @cached_property
    def tap(self) -> pd.DataFrame:
        """Tests of the tap water, oldest first."""
        numbers = ["free_mg_l", "total_mg_l", "temperature_c", "turbidity_ntu"]
        columns = ["at", "origin", *numbers]
        rows = (
            self.train.source.readings.standing()
            .filter(at__lte=self.now)
            .in_order()
            .values_list(*columns)
        )
        frame = pd.DataFrame.from_records(list(rows), columns=columns)
        frame["day"] = [day_of(at) for at in frame["at"]]
        frame[numbers] = frame[numbers].astype(float)
        return frame

    @cached_property
    def throughput(self) -> Throughput:
        """The water that passed since the train started, and what will."""
        if not (self._restrictors or self._meters or self._bucket_tests):
            raise NotEnough(
                "restrictor",
                "The flow is not known yet: enter the restrictor, or log a meter reading or a "
                "bucket test.",
            )
        return throughput(
            start_day=self.start_day,
            end_day=self.now_day,
            restrictors=self._restrictors,
            meters=self._meters,
            bucket_tests=self._bucket_tests,
            shutoffs=self._shutoffs,
            pressure_kpa=self._pressure,
            temperature_c=self._temperature,
            hindsight=True,  # a bucket test also says what dripped before it
        )

    @cached_property
    def source(self) -> tuple[SourceSteps, SourceSteps]:
        """The tap water's chlorine up to now, and from now on."""
        chlorine = self.tap[self.tap["free_mg_l"].notna() | self.tap["total_mg_l"].notna()]
        if chlorine.empty:
            raise NotEnough(
                "source-test",
                "The chlorine in the tap water is not known yet: enter what the utility reports, "
                "or log a test of the tap.",
            )
        chlorine = chlorine.groupby(
            "day", as_index=False
        ).last()  # of each column, where it has one
        series = SourceSeries(
            day=chlorine["day"].to_numpy(),
            free_mg_l=chlorine["free_mg_l"].to_numpy(),
            total_mg_l=chlorine["total_mg_l"].to_numpy(),
        )
        switches = tuple(
            SwitchPeriod(start_day=day_of(s.at), end_day=day_of(s.until), to=_species(s.to))
            for s in self.train.source.switches.standing().in_order()
        )
        usual = _species(self.train.source.disinfectant)
        try:
            past = source_steps(
                readings=series,
                switches=switches,
                disinfectant=usual,
                start_day=self.start_day,
                end_day=self.now_day,
            )
            future = future_source_steps(
                readings=series,
                switches=switches,
                disinfectant=usual,
                now_day=self.now_day,
                end_day=self.now_day + HORIZON_DAYS,
            )
        except TotalUnknown:
            raise NotEnough(
                "source-test",
                "Only free chlorine was ever measured, and your utility uses chloramine: enter "
                "the total chlorine too, from its report or a test of the tap.",
            ) from None
        if self.tap_is_typical:  # nobody measured it: as unsure as the model ever is of a tap
            past, future = (
                replace(steps, rel_sd=np.full(len(steps), CAP_REL_SD)) for steps in (past, future)
            )
        return past, future

    @cached_property
    def tap_is_typical(self) -> bool:
        """Whether all that is known of the chlorine is a typical figure."""
        chlorine = self.tap[self.tap["free_mg_l"].notna() | self.tap["total_mg_l"].notna()]
        return bool((chlorine["origin"] == SourceReading.Origin.TYPICAL).all())

    @cached_property
    def turbidity_is_measured(self) -> bool:
        """Whether any test of the last year, other than a typical figure, told the turbidity."""
        recent = self.tap[self.tap["day"] >= self.now_day - TURBIDITY_DAYS]
        told = recent[recent["origin"] != SourceReading.Origin.TYPICAL]
        return bool(told["turbidity_ntu"].notna().any())

    @cached_property
    def turbidity_ntu(self) -> float:
        """Mean of the last year's tests, or what was said of the source."""
        recent = self.tap[self.tap["day"] >= self.now_day - TURBIDITY_DAYS]["turbidity_ntu"]
        mean = float(recent.mean()) if recent.notna().any() else np.nan
        return float(self.train.source.turbidity_ntu) if np.isnan(mean) else mean

    @cached_property
    def temperature_c(self) -> float:
        return float(self._temperature.at(self.now_day))

    @cached_property
    def own_figures(self) -> dict[tuple[int, str], OwnFigure]:
        """The keeper's own number that holds, by spec and figure."""
        rows = OwnFigure.objects.standing().filter(household=self.train.household).in_order()
        return {(row.spec_id, row.figure): row for row in rows}

    @cached_property
    def inputs(self) -> TrainInputs:
        """Everything the estimate needs; NotEnough where something is missing."""
        if not self.stays:
            raise NotEnough("swap", "No stage holds a cartridge yet: fit the first one.")
        past, future = self.source
        flow = self.throughput
        return TrainInputs(
            stage_count=len(self.stages),
            placings=tuple(self._placings()),
            segments=flow.segments,
            future_flow_l_day=flow.open_flow_l_day,
            future_flow_rel_sd=flow.future_rel_sd,
            source_past=past,
            source_future=future,
            outlet_readings=tuple(self._outlet_readings()),
            pressure_pairs=tuple(self._pressure_pairs()),
            turbidity_ntu=self.turbidity_ntu,
            temperature_c=self.temperature_c,
            limit_mg_l=self.train.limit_mg_l,
            resistance_limit_kpa=self.train.resistance_limit_kpa,
            on_flow_l_day=self.train.on_flow_l_day,
            plan_share=self.train.household.plan_by / 100.0,
        )

    @cached_property
    def _restrictors(self) -> tuple[Restrictor, ...]:
        rows = self.train.restrictors.standing().filter(at__lte=self.now).in_order()
        by_moment = {row.at: row for row in rows}  # the later entry of one moment holds
        return tuple(
            Restrictor(
                fitted_day=day_of(row.at),
                rated_flow_l_day=row.rated_flow_l_day,
                rated_pressure_kpa=row.rated_pressure_kpa,
                exponent=FLOW_LAWS[row.law].exponent,
                laminar=FLOW_LAWS[row.law].laminar,
            )
            for row in by_moment.values()
        )

    @cached_property
    def _meters(self) -> tuple[MeterRun, ...]:
        columns = ["meter_id", "at", "reading_l", "rolled_over"]
        rows = (
            self.train.meter_readings.standing()
            .filter(at__lte=self.now, meter__withdrawn_at__isnull=True)
            .in_order()
            .values_list(*columns)
        )
        frame = pd.DataFrame.from_records(list(rows), columns=columns)
        runs = []
        for meter in self.train.meters.filter(withdrawn_at__isnull=True, fitted_at__lte=self.now):
            own = frame[frame["meter_id"] == meter.pk]
            at_start = pd.DataFrame(
                {"at": [meter.fitted_at], "reading_l": [meter.start_l], "rolled_over": [False]}
            )
            own = pd.concat([at_start, own[own["at"] >= meter.fitted_at]])
            own = own.drop_duplicates("at", keep="last")
            runs.append(
                MeterRun(
                    day=np.array([day_of(at) for at in own["at"]]),
                    reading_l=own["reading_l"].to_numpy(dtype=float),
                    rolled_over=own["rolled_over"].to_numpy(dtype=bool),
                    rolls_over_at_l=meter.rolls_over_at_l,
                )
            )
        return tuple(runs)

    @cached_property
    def _bucket_tests(self) -> tuple[BucketTest, ...]:
        rows = self.train.flow_tests.standing().filter(at__lte=self.now).in_order()
        return tuple(BucketTest(day=day_of(row.at), flow_l_day=row.flow_l_day) for row in rows)

    @cached_property
    def _shutoffs(self) -> tuple[Shutoff, ...]:
        rows = self.train.shutoffs.standing().filter(at__lte=self.now).in_order()
        return tuple(
            Shutoff(
                start_day=day_of(row.at),
                end_day=np.inf if row.until is None else day_of(row.until),
            )
            for row in rows
        )

    @cached_property
    def _pressures(self) -> list[tuple[dt.datetime, int | None, float, float | None]]:
        rows = (
            self.train.pressures.standing()
            .filter(at__lte=self.now)
            .in_order()
            .values_list("at", "stage_id", "before_kpa", "after_kpa")
        )
        return list(rows)

    @cached_property
    def _pressure(self) -> Steps:
        """Supply pressure: as read before the first stage, and as stated until it ever was."""
        first = next((s.pk for s in self.stages if s.retired_at is None), None)
        read = [(at, before) for at, stage, before, _ in self._pressures if stage in (None, first)]
        stated = read[0][1] if read else self.train.supply_pressure_kpa
        return self._steps(stated, read)

    @cached_property
    def _temperature(self) -> Steps:
        """Water temperature: as stated for the source, then as tested."""
        tested = self.tap.dropna(subset=["temperature_c"])
        return self._steps(
            self.train.source.temperature_c,
            zip(tested["at"], tested["temperature_c"], strict=True),
        )

    def _steps(self, stated: float, read: Iterable[tuple[dt.datetime, float]]) -> Steps:
        values = {self.start_day: float(stated)}
        values |= {day_of(at): float(value) for at, value in read}
        return Steps(day=np.array(list(values)), value=np.array(list(values.values())))

    def _placings(self) -> Iterable[Placing]:
        filled = {(s.stage.pk, s.start) for s in self.stays}
        for stay in self.stays:
            yield Placing(
                day=day_of(stay.start),
                stage=self.stage_number[stay.stage.pk],
                cartridge=str(stay.cartridge.pk),
                medium=self.medium(stay.cartridge.spec),
            )
            if (
                stay.end is not None
                and stay.end <= self.now
                and (stay.stage.pk, stay.end) not in filled
            ):
                yield Placing(day_of(stay.end), self.stage_number[stay.stage.pk], None)

    def medium(self, spec: CartridgeSpec) -> Medium:
        """What the package says, with the keeper's own numbers in the place of its own."""
        own = {f: row.value for (pk, f), row in self.own_figures.items() if pk == spec.pk}
        return replace(medium_of(spec), **own)  # type: ignore[arg-type]  # OwnFigure names numbers

    def _outlet_readings(self) -> Iterable[OutletReading]:
        rows = self.train.outlet_tests.standing().filter(at__lte=self.now).in_order()
        for row in rows:
            yield OutletReading(
                key=f"{OutletTest.KIND}/{row.pk}",
                day=day_of(row.at),
                after_stage=self.stage_number[row.stage_id],
                species=row.species,
                value_mg_l=row.value_mg_l,
                below=row.below,
                rel_sd=OutletTest.KIT_REL_SD[row.kit],
            )

    def _pressure_pairs(self) -> Iterable[PressurePair]:
        for at, stage, before, after in self._pressures:
            if stage is not None and after is not None:
                yield PressurePair(
                    day=day_of(at), stage=self.stage_number[stage], drop_kpa=max(before - after, 0)
                )


def _species(disinfectant: str) -> Literal["free_chlorine", "chloramine"]:
    return "chloramine" if disinfectant == Disinfectant.CHLORAMINE else "free_chlorine"


def train_inputs(train: Train, *, now: dt.datetime) -> TrainInputs:
    """Everything the estimate of this train needs at that moment."""
    return Timeline(train, now).inputs


def flow_history(train: Train, *, now: dt.datetime) -> Throughput:
    """The water through the train up to now."""
    return Timeline(train, now).throughput
