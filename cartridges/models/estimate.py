"""What the model found, one row for each cartridge at work; every screen reads these rows."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import models
from django.utils import timezone

from hobbyhydro.households.models import Household

from .base import Fact
from .cartridge import Cartridge, CartridgeSpec
from .train import Stage, Train


class Cause(models.TextChoices):
    """What makes a cartridge spent."""

    OUTLET_LIMIT = "outlet_limit", "chlorine reaches the safe limit"
    LABEL_VOLUME = "label_volume", "the package’s volume is used up"
    CALENDAR = "calendar", "it is too old by the package"
    DIRT = "dirt", "it holds all the dirt it can"
    RESISTANCE = "resistance", "it resists the flow too much"


class Estimate(models.Model):
    """One fitted cartridge: when it is spent, how sure that is, and why.

    The three dates are those by which 1 in 10, 5 in 10 and 9 in 10 members of the ensemble have
    reached the first cause; null is beyond the horizon of ten years. ``planned_at`` is the
    day that the household's own caution (``Household.plan_by``) asks for. ``fresh_outlet_mg_l`` is
    what a new cartridge in its place would let through now, ``cannot_hold_share`` how probable it
    is that not even a new one would hold the limit. ``details`` holds what only the stage's own
    page shows: curve, causes, assumptions.
    """

    train = models.ForeignKey(Train, models.CASCADE, related_name="estimates")
    stage = models.OneToOneField(Stage, models.CASCADE, related_name="estimate")
    cartridge = models.ForeignKey(Cartridge, models.CASCADE, related_name="estimates")
    fitted_at = models.DateTimeField()
    computed_at = models.DateTimeField()
    fingerprint = models.CharField(max_length=64)

    p10_at = models.DateTimeField(null=True)
    p50_at = models.DateTimeField(null=True)
    p90_at = models.DateTimeField(null=True)
    planned_at = models.DateTimeField(null=True)
    cause = models.CharField(max_length=12, choices=Cause.choices, blank=True)
    remaining_p10 = models.FloatField(null=True)
    remaining_p50 = models.FloatField(null=True)
    remaining_p90 = models.FloatField(null=True)
    outlet_total_p50_mg_l = models.FloatField(null=True)
    outlet_total_p90_mg_l = models.FloatField(null=True)
    outlet_free_p50_mg_l = models.FloatField(null=True)
    fresh_outlet_mg_l = models.FloatField(null=True)
    cannot_hold_share = models.FloatField(null=True)
    contact_min = models.FloatField(null=True)
    volume_l = models.FloatField()
    label_volume_l = models.FloatField(null=True)
    label_at = models.DateTimeField(null=True)
    safe_at = models.DateTimeField(null=True)
    details = models.JSONField(default=dict)

    HOUSEHOLD = "train__household"

    class Meta:
        ordering = ["train", "stage__position"]

    def __str__(self) -> str:
        return f"{self.cartridge} in {self.stage}: {self.p50_at or 'beyond ten years'}"

    def days_until(self, when: dt.datetime | None) -> int | None:
        """Whole calendar days from today to that date; None beyond the horizon."""
        if when is None:
            return None
        return (timezone.localtime(when).date() - timezone.localdate()).days

    @property
    def days_p10(self) -> int | None:
        return self.days_until(self.p10_at)

    @property
    def days_p50(self) -> int | None:
        return self.days_until(self.p50_at)

    @property
    def days_p90(self) -> int | None:
        return self.days_until(self.p90_at)

    def curve(self) -> dict[str, Any]:
        found: dict[str, Any] = self.details.get("curve", {})
        return found


class OwnFigure(Fact):
    """A number of the keeper's own that stands in for one the model would assume."""

    KIND = "own-figure"
    HOUSEHOLD = "household"

    class Figure(models.TextChoices):
        CAPACITY = "capacity_mg", "Chlorine that one cartridge can take up"
        RATE_FREE = "rate_free_l_mg_day", "Rate for free chlorine"
        RATE_COMBINED = "rate_combined_l_mg_day", "Rate for chloramine"
        FLOW_EXPONENT = "flow_exponent", "How much slow flow slows the carbon"
        AGEING = "ageing_per_day", "Capacity lost to ageing, per day"
        DIRT = "dirt_capacity_g", "Dirt that it can hold"
        SOLIDS = "solids_mg_l_per_ntu", "Dirt for each unit of turbidity"
        BED_VOLUME = "bed_volume_l", "Volume of carbon"
        CALENDAR = "calendar_days", "Longest time in service"

    household = models.ForeignKey(Household, models.CASCADE, related_name="own_figures")
    spec = models.ForeignKey(CartridgeSpec, models.CASCADE, related_name="own_figures")
    figure = models.CharField(max_length=24, choices=Figure.choices)
    value = models.FloatField()

    def summary(self, *, units: str) -> str:
        return f"{self.get_figure_display()} for {self.spec}: own figure {self.value:g}"
