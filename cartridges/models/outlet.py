"""Tests of the water behind a stage, and notes."""

from __future__ import annotations

from django.db import models

from hobbyhydro.households.units import in_words

from .base import Fact
from .train import Stage, Train


class OutletTest(Fact):
    """Chlorine behind one stage: a value, or "below" the smallest that the kit can show."""

    KIND = "outlet-test"
    HOUSEHOLD = "train__household"

    class Species(models.TextChoices):
        FREE = "free", "Free chlorine"
        TOTAL = "total", "Total chlorine"

    class Kit(models.TextChoices):
        STRIP = "strip", "Test strip"
        DROPS = "drops", "Drops and colour card"
        METER = "meter", "Digital colorimeter"

    # Relative standard deviations: common practice, no source.
    KIT_REL_SD = {"strip": 0.40, "drops": 0.35, "meter": 0.20}

    train = models.ForeignKey(Train, models.CASCADE, related_name="outlet_tests")
    stage = models.ForeignKey(Stage, models.CASCADE, related_name="outlet_tests")
    species = models.CharField(max_length=5, choices=Species.choices, default=Species.TOTAL)
    value_mg_l = models.FloatField("reading")
    below = models.BooleanField("below what the kit can show", default=False)
    kit = models.CharField(max_length=5, choices=Kit.choices, default=Kit.DROPS)

    class Meta:
        indexes = [models.Index(fields=["train", "at"])]

    def summary(self, *, units: str) -> str:
        value = in_words(self.value_mg_l, quantity="chlorine", units=units)
        sign = "below " if self.below else ""
        return f"{self.get_species_display()} after stage {self.stage.position}: {sign}{value}"


class Note(Fact):
    """Anything worth writing down."""

    KIND = "note"
    HOUSEHOLD = "train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="notes")
    text = models.TextField(max_length=2000)

    def summary(self, *, units: str) -> str:
        return self.text
