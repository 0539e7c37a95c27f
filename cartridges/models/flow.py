"""What is known of the flow: meters, restrictors, bucket tests, pressures, shut-offs."""

from __future__ import annotations

from django.db import models

from hobbyhydro.households.units import in_words

from .base import Fact
from .train import Stage, Train


class Meter(models.Model):
    """One physical totaliser, from the moment it was fitted, with what it read then."""

    class Unit(models.TextChoices):
        US_GALLON = "gal", "US gallons"
        LITRE = "L", "litres"
        CUBIC_METRE = "m3", "cubic metres"
        CUBIC_FOOT = "ft3", "cubic feet"

    train = models.ForeignKey(Train, models.CASCADE, related_name="meters")
    unit = models.CharField("counts in", max_length=3, choices=Unit.choices)
    fitted_at = models.DateTimeField("fitted")
    start_l = models.FloatField("reading when fitted", default=0.0)
    rolls_over_at_l = models.FloatField("starts again from zero after", null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)

    HOUSEHOLD = "train__household"
    LITRES = {"gal": 3.785411784, "L": 1.0, "m3": 1000.0, "ft3": 28.316846592}

    class Meta:
        ordering = ["fitted_at", "pk"]

    def __str__(self) -> str:
        return f"Meter in {self.get_unit_display()}"

    @property
    def litres_per_unit(self) -> float:
        return self.LITRES[self.unit]

    def face(self, reading_l: float) -> str:
        """A reading as it stands on the meter's face."""
        label = {"gal": "gal", "L": "L", "m3": "m³", "ft3": "ft³"}[self.unit]
        return f"{round(reading_l / self.litres_per_unit, 3):,.12g}\u00a0{label}"


class MeterReading(Fact):
    """The totaliser's face at one moment; ``rolled_over`` when it passed zero since the last."""

    KIND = "meter-reading"
    HOUSEHOLD = "train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="meter_readings")
    meter = models.ForeignKey(Meter, models.CASCADE, related_name="readings")
    reading_l = models.FloatField("reading")
    rolled_over = models.BooleanField(default=False)

    class Meta:
        indexes = [models.Index(fields=["train", "at"])]

    def summary(self, *, units: str) -> str:
        turned = ", past zero" if self.rolled_over else ""
        return f"Meter reads {self.meter.face(self.reading_l)}{turned}"


class RestrictorFitting(Fact):
    """From this moment this restrictor sets the flow."""

    KIND = "restrictor"
    HOUSEHOLD = "train__household"

    class Law(models.TextChoices):
        ORIFICE = "orifice", "Orifice or fixed disc"
        CAPILLARY = "capillary", "Capillary tube"
        COMPENSATING = "pressure_compensating", "Pressure-compensating"

    train = models.ForeignKey(Train, models.CASCADE, related_name="restrictors")
    rated_flow_l_day = models.FloatField("rated flow")
    rated_pressure_kpa = models.FloatField("rated at a pressure of", default=413.685)
    law = models.CharField("type", max_length=22, choices=Law.choices, default=Law.CAPILLARY)

    class Meta:
        indexes = [models.Index(fields=["train", "at"])]

    def summary(self, *, units: str) -> str:
        flow = in_words(self.rated_flow_l_day, quantity="flow", units=units)
        return f"Restrictor of {flow} fitted"


class FlowTest(Fact):
    """A bucket test: so much water in so many seconds."""

    KIND = "bucket-test"
    HOUSEHOLD = "train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="flow_tests")
    volume_l = models.FloatField("water caught")
    duration_s = models.FloatField("time taken")

    @property
    def flow_l_day(self) -> float:
        return self.volume_l / self.duration_s * 86_400.0

    def summary(self, *, units: str) -> str:
        cup = in_words(self.volume_l, quantity="cup", units=units)
        flow = in_words(self.flow_l_day, quantity="flow", units=units)
        return f"Bucket test: {cup} in {self.duration_s:,.0f} s, which is {flow}"


class PressureReading(Fact):
    """Pressure before and, where there is a gauge, after one stage (or of the supply alone)."""

    KIND = "pressure"
    HOUSEHOLD = "train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="pressures")
    stage = models.ForeignKey(
        Stage, models.CASCADE, null=True, blank=True, related_name="pressures"
    )
    before_kpa = models.FloatField("pressure before")
    after_kpa = models.FloatField("pressure after", null=True, blank=True)

    def summary(self, *, units: str) -> str:
        before = in_words(self.before_kpa, quantity="pressure", units=units)
        if self.after_kpa is None:
            return f"Pressure {before}"
        after = in_words(self.after_kpa, quantity="pressure", units=units)
        where = f"stage {self.stage.position}" if self.stage else "the train"
        return f"Pressure {before} before and {after} after {where}"


class Shutoff(Fact):
    """The water was off from ``at`` until ``until`` (null: it still is)."""

    KIND = "shut-off"
    HOUSEHOLD = "train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="shutoffs")
    until = models.DateTimeField("turned on again", null=True, blank=True)

    def summary(self, *, units: str) -> str:
        if self.until is None:
            return "Water off"
        hours = (self.until - self.at).total_seconds() / 3600
        if hours >= 48:
            return f"Water off for {hours / 24:,.1f} days"
        if hours < 1:
            minutes = max(1, round(hours * 60))
            return f"Water off for {minutes} minute{'' if minutes == 1 else 's'}"
        figure = f"{hours:.1f}".removesuffix(".0")
        return f"Water off for {figure} hour{'' if figure == '1' else 's'}"
