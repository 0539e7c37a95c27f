"""Writes the demo household into an empty database."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from decimal import Decimal
from typing import TypeVar

from django.db import transaction
from django.utils import timezone

from cartridges.models import (
    Cartridge,
    CartridgeSpec,
    Fact,
    FlowTest,
    Meter,
    MeterReading,
    Note,
    OutletTest,
    PressureReading,
    RestrictorFitting,
    Source,
    SourceReading,
    Stage,
    SwitchPeriod,
    Train,
)
from cartridges.services import acts
from cartridges.starter_set import L_PER_GAL
from hobbyhydro.households.demo_person import EMAIL, PASSWORD
from hobbyhydro.households.models import Household, Membership, User

from . import story

ZONE = "America/Chicago"

F = TypeVar("F", bound=Fact)


class Telling:
    """Writes the story, everything counted back from one moment, at hours when people are up."""

    def __init__(self, now: dt.datetime) -> None:
        self.now = now
        self.owner = User.objects.create_user(EMAIL, PASSWORD, name="Wren")
        self.keeper = User.objects.create_user("ilo@hobbyhydro.test", None, name="Ilo")
        viewer = User.objects.create_user("bea@hobbyhydro.test", None, name="Bea")
        self.household = Household.found(owner=self.owner, name="Heron Lane", time_zone=ZONE)
        for person, role in (
            (self.keeper, Membership.Role.KEEPER),
            (viewer, Membership.Role.VIEWER),
        ):
            self.household.memberships.create(person=person, role=role)
        self.specs = {
            row["kind"]: CartridgeSpec.objects.create(household=self.household, **row)
            for row in (story.SEDIMENT, story.CARBON)
        }
        self.source = Source.objects.create(
            household=self.household, temperature_c=14.0, ph=8.1, turbidity_ntu=0.6
        )
        start = self.ago(story.DAYS_OF_HISTORY)
        self.train = Train.objects.create(
            household=self.household,
            source=self.source,
            name="Salamander room",
            supply_pressure_kpa=story.SUPPLY_PSI * story.PSI,
            started_at=start,
            set_up_at=start,
        )

    def ago(self, days: float) -> dt.datetime:
        """That many days ago, at an hour of the household's day."""
        local = (self.now - dt.timedelta(days=days)).astimezone(zoneinfo.ZoneInfo(ZONE))
        hour, minute = divmod(story.minute_of_day(days), 60)
        return local.replace(hour=hour, minute=minute).astimezone(dt.UTC)

    def settled(self, days: float) -> float:
        """Days ago as the household's clock had them."""
        return (self.now - self.ago(days)) / dt.timedelta(days=1)

    def write(self, fact: F, days: float, *, by: User | None = None) -> F:
        fact.at = fact.logged_at = self.ago(days)
        if fact.logged_at > self.now:
            fact.logged_at = self.ago(2)
        return acts.log(fact, by=by or self.owner)

    def bought(self, kind: str, days: float) -> Cartridge:
        [cartridge] = acts.buy(
            household=self.household,
            spec=self.specs[kind],
            bought_on=self.ago(days + 10).date(),
            price=Decimal(story.PRICES[kind]),
        )
        return cartridge

    def tell(self) -> None:
        self.cartridges()
        self.flow()
        self.water()
        self.tests()
        for days, text in story.NOTES:
            self.write(Note(train=self.train, text=text), days, by=self.keeper)

    def cartridges(self) -> None:
        kinds = ("sediment", "catalytic_carbon", "catalytic_carbon")
        first = float(story.DAYS_OF_HISTORY)
        stages: list[Stage] = []
        for position, kind in enumerate(kinds, start=1):
            stage = self.train.stages.create(position=position, kind=kind, housing="10x4.5")
            self.fit(stage, self.bought(kind, first), first)
            stages.append(stage)
        for days in story.SEDIMENT_SWAPS:
            self.fit(stages[0], self.bought("sediment", days), days)
        for days in story.ROTATIONS:
            moved = acts.rotate(
                train=self.train,
                at=self.ago(days),
                by=self.keeper,
                new_cartridge=self.bought("catalytic_carbon", days),
                remark="Lead carbon spent, second one moved forward",
            )
            for fitting in moved:
                self.logged_then(fitting)
        self.bought("sediment", 50)
        self.bought("catalytic_carbon", 20)

    def fit(self, stage: Stage, cartridge: Cartridge, days: float) -> None:
        self.logged_then(
            acts.swap(stage=stage, cartridge=cartridge, at=self.ago(days), by=self.owner)
        )

    @staticmethod
    def logged_then(fact: Fact) -> None:
        """In the story people write things down when they do them."""
        fact.logged_at = fact.at
        fact.save(update_fields=["logged_at"])

    def flow(self) -> None:
        meter = Meter.objects.create(
            train=self.train, unit="gal", fitted_at=self.ago(story.DAYS_OF_HISTORY)
        )
        for days, gal_day, remark in story.RESTRICTORS:
            restrictor = RestrictorFitting(
                train=self.train, rated_flow_l_day=gal_day * L_PER_GAL, remark=remark
            )
            self.write(restrictor, days)
        for start, end, remark in story.SHUT_OFFS:
            self.logged_then(
                acts.shut_off(
                    train=self.train,
                    at=self.ago(start),
                    until=self.ago(end),
                    by=self.keeper,
                    remark=remark,
                )
            )
        for turn, (days, litres) in enumerate(story.meter_readings(settled=self.settled)):
            whole_gal = round(litres / L_PER_GAL, 1) * L_PER_GAL
            reading = MeterReading(train=self.train, meter=meter, reading_l=whole_gal)
            self.write(reading, days, by=self.keeper if turn % 3 == 1 else self.owner)
        for when in story.BUCKET_TESTS:
            seconds = story.bucket_test_s(when, settled=self.settled)
            cup = FlowTest(train=self.train, volume_l=story.CUP_L, duration_s=seconds)
            self.write(cup, when, by=self.keeper)
        sediment = self.train.stages.get(position=1)
        for days, before, after in story.PRESSURES:
            pair = PressureReading(
                train=self.train,
                stage=sediment,
                before_kpa=before * story.PSI,
                after_kpa=after * story.PSI,
            )
            self.write(pair, days)

    def water(self) -> None:
        turbidity: dict[float, float] = dict(story.TURBIDITIES)
        for days, total, free in story.UTILITY_REPORTS:
            self.tap(days, total, free, origin="utility", turbidity_ntu=turbidity.get(days))
        for days, total, free in story.OWN_TAP_TESTS:
            self.tap(days, total, free, origin="own")
        for days in story.TEMPERATURES:
            celsius = round(story.water_temperature_c(days), 1)
            self.write(SourceReading(source=self.source, temperature_c=celsius), days - 0.2)
        for start, end in (story.SWITCH_TO_FREE, story.NEXT_SWITCH_TO_FREE):
            period = SwitchPeriod(source=self.source, until=self.ago(end), to="free_chlorine")
            self.write(period, start)

    def tap(
        self,
        days: float,
        total: float,
        free: float | None,
        *,
        origin: str,
        turbidity_ntu: float | None = None,
    ) -> None:
        reading = SourceReading(
            source=self.source,
            total_mg_l=total,
            free_mg_l=free,
            origin=origin,
            turbidity_ntu=turbidity_ntu,
        )
        self.write(reading, days)

    def tests(self) -> None:
        by_position = {s.position: s for s in self.train.stages.all()}
        for days, position, value, kit, remark in sorted(
            [*story.routine_outlet_tests(), *story.TOLD_OUTLET_TESTS], reverse=True
        ):
            found = OutletTest(
                train=self.train,
                stage=by_position[position],
                value_mg_l=0.1 if value is None else value,
                below=value is None,
                kit=kit,
                remark=remark,
            )
            self.write(found, days, by=self.keeper)


@transaction.atomic
def tell(*, now: dt.datetime | None = None) -> Household:
    """Write the demo household; ``now`` is the day that the story is counted back from."""
    moment = now or timezone.now()
    telling = Telling(moment.replace(minute=0, second=0, microsecond=0))
    telling.tell()
    return telling.household
