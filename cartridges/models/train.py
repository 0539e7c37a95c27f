"""The train: an ordered chain of stages on one source of water."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from hobbyhydro.households.models import Household

from .water import Source


class Kind(models.TextChoices):
    """What a stage, and the cartridge in it, is there to do."""

    SEDIMENT = "sediment", "Sediment"
    CARBON_BLOCK = "carbon_block", "Carbon block"
    GRANULAR_CARBON = "granular_carbon", "Granular carbon"
    CATALYTIC_CARBON = "catalytic_carbon", "Catalytic carbon"
    OTHER = "other", "Other"

    @property
    def is_carbon(self) -> bool:
        return self in CARBON_KINDS


CARBON_KINDS = frozenset({Kind.CARBON_BLOCK, Kind.GRANULAR_CARBON, Kind.CATALYTIC_CARBON})


class Housing(models.TextChoices):
    """Outer size of a housing, as the trade names it: length by diameter."""

    SLIM_10 = "10x2.5", "10 × 2.5 in"
    SLIM_20 = "20x2.5", "20 × 2.5 in"
    WIDE_10 = "10x4.5", "10 × 4.5 in"
    WIDE_20 = "20x4.5", "20 × 4.5 in"
    OTHER = "other", "Another size"


class Train(models.Model):
    """Stages in the order of the water, the restrictor behind them, and how they are looked after.

    ``limit_mg_l`` is the total chlorine above which the keeper wants no water to reach an animal;
    ``on_flow_l_day`` is the flow while a float valve is open (null: a steady drip).
    """

    class Policy(models.TextChoices):
        LEAD_LAG = "lead_lag", "Lead–lag: replace the first carbon, move the second forward"
        SAME_DAY = "same_day", "Same day: replace all the carbon together"

    household = models.ForeignKey(Household, models.CASCADE, related_name="trains")
    source = models.ForeignKey(Source, models.RESTRICT, related_name="trains")
    name = models.CharField(max_length=80, default="Drip line")
    supply_pressure_kpa = models.FloatField("supply pressure", default=413.685)
    policy = models.CharField(max_length=8, choices=Policy.choices, default=Policy.LEAD_LAG)
    limit_mg_l = models.FloatField("safe limit for total chlorine", default=0.1)
    resistance_limit_kpa = models.FloatField("largest pressure drop", default=70.0)
    on_flow_l_day = models.FloatField("flow while open", null=True, blank=True)
    started_at = models.DateTimeField("running since")
    set_up_at = models.DateTimeField(null=True, blank=True, editable=False)

    # What the last calculation left behind; the numbers themselves are Estimate rows.
    stale = models.BooleanField(default=True, editable=False)
    estimated_at = models.DateTimeField(null=True, blank=True, editable=False)
    estimate_ms = models.FloatField(null=True, blank=True, editable=False)
    fingerprint = models.CharField(max_length=64, blank=True, editable=False)
    summary = models.JSONField(default=dict, blank=True, editable=False)

    HOUSEHOLD = "household"

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.name


class Stage(models.Model):
    """One housing of the train. ``position`` counts from 1 in the order of the water."""

    train = models.ForeignKey(Train, models.CASCADE, related_name="stages")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=16, choices=Kind.choices)
    housing = models.CharField(max_length=8, choices=Housing.choices, default=Housing.SLIM_10)
    retired_at = models.DateTimeField(null=True, blank=True, editable=False)

    HOUSEHOLD = "train__household"

    class Meta:
        ordering = ["train", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["train", "position"],
                condition=Q(retired_at__isnull=True),
                name="one_stage_a_position",
            ),
        ]

    def __str__(self) -> str:
        return f"Stage {self.position}, {self.get_kind_display().lower()}"

    @property
    def is_carbon(self) -> bool:
        return Kind(self.kind).is_carbon
