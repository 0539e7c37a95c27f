"""Cartridges: what a package says, the single cartridges, and where each has been."""

from __future__ import annotations

from decimal import Decimal
from typing import Self

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q

from hobbyhydro.households.models import Household

from .base import Fact
from .train import Housing, Kind, Stage, Train


class CartridgeSpecQuerySet(models.QuerySet["CartridgeSpec"]):
    def open_to(self, household: Household) -> Self:
        """The starter set and the household's own."""
        return self.filter(Q(household=None) | Q(household=household))

    def starter_set(self) -> Self:
        return self.filter(household=None)


class CartridgeSpec(models.Model):
    """What the package says of one kind of cartridge.

    Two claims may be printed on it, one for free chlorine and one for chloramine: a volume at a
    flow, with a stated inlet, and the reductions (0 to 1) when new and at the end of that volume.
    """

    household = models.ForeignKey(
        Household, models.CASCADE, null=True, blank=True, related_name="cartridge_specs"
    )
    starter_key = models.CharField(max_length=40, blank=True, editable=False)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=16, choices=Kind.choices)
    housing = models.CharField(max_length=8, choices=Housing.choices, default=Housing.SLIM_10)
    micron = models.FloatField("rating in micrometres", null=True, blank=True)
    bed_volume_l = models.FloatField("volume of carbon", null=True, blank=True)

    free_volume_l = models.FloatField("rated volume", null=True, blank=True)
    free_flow_l_day = models.FloatField("at a flow of", null=True, blank=True)
    free_inlet_mg_l = models.FloatField("with an inlet of", default=2.0)
    free_reduction_new = models.FloatField("reduction when new", default=0.97)
    free_reduction_end = models.FloatField("reduction at the end", default=0.5)

    chloramine_volume_l = models.FloatField("rated volume", null=True, blank=True)
    chloramine_flow_l_day = models.FloatField("at a flow of", null=True, blank=True)
    chloramine_inlet_mg_l = models.FloatField("with an inlet of", default=3.0)
    chloramine_reduction_new = models.FloatField("reduction when new", default=0.97)
    chloramine_reduction_end = models.FloatField("reduction at the end", default=0.8333)

    calendar_days = models.PositiveIntegerField("replace after at most", null=True, blank=True)
    dirt_capacity_g = models.FloatField("dirt it can hold", null=True, blank=True)
    flush_volume_l = models.FloatField("flush to waste when new", null=True, blank=True)

    HOUSEHOLD = "household"
    objects = CartridgeSpecQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "housing", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["starter_key"], condition=~Q(starter_key=""), name="starter_key_once"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_carbon(self) -> bool:
        return Kind(self.kind).is_carbon

    @property
    def is_starter(self) -> bool:
        return self.household_id is None


class Cartridge(models.Model):
    """One physical cartridge. Whether it waits on the shelf, works or is spent follows from its
    fittings."""

    household = models.ForeignKey(Household, models.CASCADE, related_name="cartridges")
    spec = models.ForeignKey(CartridgeSpec, models.RESTRICT, related_name="cartridges")
    number = models.PositiveIntegerField("number")
    bought_on = models.DateField(null=True, blank=True)
    price = models.DecimalField(
        max_digits=9,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(Decimal(0))],
    )
    discarded_at = models.DateTimeField(null=True, blank=True, editable=False)

    HOUSEHOLD = "household"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household", "number"], name="number_once"),
        ]

    def __str__(self) -> str:
        return f"no. {self.number}, {self.spec}"


class Fitting(Fact):
    """At this moment, this cartridge went into this stage (or the stage was emptied).

    A fitting holds until the next one of its stage, or the next one of its cartridge: a rotation
    is two fittings that share an ``act``.
    """

    KIND = "swap"
    HOUSEHOLD = "stage__train__household"

    train = models.ForeignKey(Train, models.CASCADE, related_name="fittings")
    stage = models.ForeignKey(Stage, models.CASCADE, related_name="fittings")
    cartridge = models.ForeignKey(
        Cartridge, models.RESTRICT, null=True, blank=True, related_name="fittings"
    )

    class Meta:
        indexes = [models.Index(fields=["train", "at"])]

    def summary(self, *, units: str) -> str:
        if self.cartridge is None:
            return f"Stage {self.stage.position} emptied"
        return f"Stage {self.stage.position}: {self.cartridge} fitted"
