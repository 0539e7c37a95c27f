"""What lies ahead: the visits that the estimates ask for, and what they cost."""

from __future__ import annotations

from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from cartridges.models import Cartridge, CartridgeSpec, Cause, Stage, Train
from hobbyhydro.households.models import Household


class PlanRules(models.Model):
    """How one household plans its visits: its lead times, its prices.

    ``expected_prices`` are what a kind of cartridge would cost that was never bought at a price, as
    text by the kind's primary key.
    """

    household = models.OneToOneField(Household, models.CASCADE, related_name="plan_rules")
    lead_days = models.PositiveSmallIntegerField(
        "days from order to delivery", default=7, validators=[MaxValueValidator(365)]
    )
    margin_days = models.PositiveSmallIntegerField(
        "days to spare", default=7, validators=[MaxValueValidator(365)]
    )
    visit_cost = models.DecimalField(
        "what a visit to the train is worth to you",
        max_digits=8,
        decimal_places=2,
        default=Decimal("5.00"),
        validators=[MinValueValidator(Decimal(0))],
    )
    water_price_m3 = models.DecimalField(
        "price of a cubic metre of water",
        max_digits=8,
        decimal_places=3,
        default=Decimal("1.500"),
        validators=[MinValueValidator(Decimal(0))],
    )
    drain_price_m3 = models.DecimalField(
        "price of draining a cubic metre",
        max_digits=8,
        decimal_places=3,
        default=Decimal("1.500"),
        validators=[MinValueValidator(Decimal(0))],
    )

    expected_prices = models.JSONField(default=dict, blank=True)

    HOUSEHOLD = "household"

    def __str__(self) -> str:
        return f"How {self.household} plans"


class PlannedVisit(models.Model):
    """One day on which somebody opens housings of one train. Rewritten whenever the plan is."""

    train = models.ForeignKey(Train, models.CASCADE, related_name="planned_visits")
    on = models.DateField()
    computed_at = models.DateTimeField()
    fingerprint = models.CharField(max_length=64)
    brought_together = models.BooleanField(default=False)
    wasted = models.DecimalField(max_digits=9, decimal_places=2, default=Decimal(0))
    saved = models.DecimalField(max_digits=9, decimal_places=2, default=Decimal(0))

    HOUSEHOLD = "train__household"

    class Meta:
        ordering = ["on", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["train", "on"], name="one_visit_a_train_and_day"),
        ]

    def __str__(self) -> str:
        return f"{self.train}: visit on {self.on:%-d %b %Y}"


class PlannedSwap(models.Model):
    """One new cartridge that a visit puts in. ``due_on`` is its own planning date; a ``rotation``
    moves the later carbons forward and puts the new one last.

    ``replaces`` is the cartridge that comes out, where it is one that works today; ``number``
    counts the renewals of the stage since the first one. ``unused`` is the share of what comes out
    that is thrown away unused. ``spare`` is the one of the shelf that is set aside for this swap.
    """

    visit = models.ForeignKey(PlannedVisit, models.CASCADE, related_name="swaps")
    stage = models.ForeignKey(Stage, models.CASCADE, related_name="planned_swaps")
    spec = models.ForeignKey(CartridgeSpec, models.CASCADE, related_name="+")
    replaces = models.ForeignKey(
        Cartridge, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    number = models.PositiveIntegerField(default=1)
    rotation = models.BooleanField(default=False)
    due_on = models.DateField()
    cause = models.CharField(max_length=12, choices=Cause.choices, blank=True)
    unused = models.FloatField(null=True, blank=True)
    from_shelf = models.BooleanField(default=False)
    spare = models.ForeignKey(Cartridge, models.SET_NULL, null=True, blank=True, related_name="+")
    order_by = models.DateField(null=True, blank=True)
    price = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)

    HOUSEHOLD = "visit__train__household"

    class Meta:
        ordering = ["visit", "stage__position"]

    def __str__(self) -> str:
        return f"{self.stage}: {self.spec} on {self.visit.on:%-d %b %Y}"


class PlanSummary(models.Model):
    """What the plan of one train costs and uses a year, under its policy and under the other."""

    train = models.OneToOneField(Train, models.CASCADE, related_name="plan")
    computed_at = models.DateTimeField()
    fingerprint = models.CharField(max_length=64)
    horizon_on = models.DateField()
    details = models.JSONField(default=dict)

    HOUSEHOLD = "train__household"

    def __str__(self) -> str:
        return f"Plan of {self.train}"
