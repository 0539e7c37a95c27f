"""Source water: what the tap delivers, and when the utility changes it."""

from __future__ import annotations

import datetime as dt

from django.db import models
from django.db.models import Q
from django.utils import timezone

from hobbyhydro.households.models import Household
from hobbyhydro.households.units import in_words

from .base import Fact


class Disinfectant(models.TextChoices):
    FREE_CHLORINE = "free_chlorine", "Free chlorine"
    CHLORAMINE = "chloramine", "Chloramine"


class Source(models.Model):
    """A tap: the water that one or more trains are fed with."""

    household = models.ForeignKey(Household, models.CASCADE, related_name="sources")
    name = models.CharField(max_length=80, default="Tap water")
    disinfectant = models.CharField(
        max_length=13, choices=Disinfectant.choices, default=Disinfectant.CHLORAMINE
    )
    temperature_c = models.FloatField(default=15.0)
    ph = models.FloatField("pH", default=7.8)
    turbidity_ntu = models.FloatField("turbidity", default=0.5)

    HOUSEHOLD = "household"

    def __str__(self) -> str:
        return self.name


class HistoryImport(models.Model):
    """A file of source-water readings, from upload to rows, so that nothing typed is lost."""

    source = models.ForeignKey(Source, models.CASCADE, related_name="imports")
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    columns = models.JSONField(default=dict, blank=True)
    uploaded_by = models.ForeignKey("households.User", models.SET_NULL, null=True, related_name="+")
    uploaded_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    rows_taken = models.PositiveIntegerField(default=0)

    HOUSEHOLD = "source__household"

    def __str__(self) -> str:
        return f"{self.file_name} into {self.source}"


class SourceReading(Fact):
    """One test of the tap water: what was measured, and nothing for what was not."""

    KIND = "source-test"
    HOUSEHOLD = "source__household"

    class Origin(models.TextChoices):
        OWN = "own", "Own test"
        UTILITY = "utility", "Utility’s report"
        TYPICAL = "typical", "Typical figure, not measured"

    source = models.ForeignKey(Source, models.CASCADE, related_name="readings")
    free_mg_l = models.FloatField("free chlorine", null=True, blank=True)
    total_mg_l = models.FloatField("total chlorine", null=True, blank=True)
    temperature_c = models.FloatField("temperature", null=True, blank=True)
    ph = models.FloatField("pH", null=True, blank=True)
    turbidity_ntu = models.FloatField("turbidity", null=True, blank=True)
    origin = models.CharField(max_length=7, choices=Origin.choices, default=Origin.OWN)
    imported = models.ForeignKey(
        HistoryImport, models.CASCADE, null=True, blank=True, related_name="readings"
    )

    class Meta:
        indexes = [models.Index(fields=["source", "at"])]

    def summary(self, *, units: str) -> str:
        parts = [
            f"{label} {in_words(value, quantity=kind, units=units)}"
            for label, value, kind in (
                ("free chlorine", self.free_mg_l, "chlorine"),
                ("total chlorine", self.total_mg_l, "chlorine"),
                ("temperature", self.temperature_c, "temperature"),
                ("turbidity", self.turbidity_ntu, "turbidity"),
            )
            if value is not None
        ]
        if self.ph is not None:
            parts.append(f"pH {self.ph:g}")
        what = "Typical figure for tap water" if self.is_typical else "Tap water"
        return f"{what}: " + ", ".join(parts)

    @property
    def is_typical(self) -> bool:
        """Whether nobody measured it."""
        return self.origin == self.Origin.TYPICAL


class SwitchPeriod(Fact):
    """A stretch in which the utility runs another disinfectant; ``at`` is its first day.

    A change for good lasts until FOR_GOOD: what was before it stays as it was.
    """

    KIND = "disinfectant-switch"
    HOUSEHOLD = "source__household"

    FOR_GOOD = dt.datetime(9999, 12, 30, tzinfo=dt.UTC)

    source = models.ForeignKey(Source, models.CASCADE, related_name="switches")
    until = models.DateTimeField("last day")
    to = models.CharField(
        "disinfectant in that time",
        max_length=13,
        choices=Disinfectant.choices,
        default=Disinfectant.FREE_CHLORINE,
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(until__gt=models.F("at")), name="switch_ends_later"),
        ]

    def summary(self, *, units: str) -> str:
        what = f"Utility switches to {self.get_to_display().lower()}"
        if self.is_for_good:
            return f"{what} for good"
        return f"{what} until {timezone.localtime(self.until):%-d %b %Y}"

    @property
    def is_for_good(self) -> bool:
        return self.until >= self.FOR_GOOD
