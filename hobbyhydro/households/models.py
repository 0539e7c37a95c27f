"""People and households. Every fact kept belongs to one household."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone


class UserManager(BaseUserManager["User"]):
    """Makes people who sign in by email."""

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        if not email:
            raise ValueError("A person needs an email address.")
        user = self.model(email=self.normalize_email(email), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        return self.create_user(email, password, is_superuser=True, **fields)


class User(AbstractBaseUser, PermissionsMixin):
    """A person, who signs in by email and reads in units of their own choice."""

    class Units(models.TextChoices):
        US = "us", "US (gallons, psi, °F)"
        METRIC = "metric", "Metric (litres, kPa, °C)"

    class Theme(models.TextChoices):
        AUTO = "auto", "As the device is set"
        LIGHT = "light", "Light"
        DARK = "dark", "Dark"

    email = models.EmailField("email", unique=True)
    name = models.CharField("name", max_length=80, blank=True)
    units = models.CharField(max_length=6, choices=Units.choices, default=Units.US)
    theme = models.CharField(max_length=5, choices=Theme.choices, default=Theme.AUTO)
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(default=timezone.now, editable=False)

    USERNAME_FIELD = "email"
    objects = UserManager()

    def __str__(self) -> str:
        return self.name or self.email.split("@")[0]

    @property
    def is_staff(self) -> bool:
        return self.is_superuser


def check_time_zone(name: str) -> None:
    """Refuse a time zone that the machine does not know."""
    if name not in zoneinfo.available_timezones():
        raise ValidationError(f"“{name}” is not a time zone we know, such as America/Chicago.")


class Household(models.Model):
    """The people who look after the same tanks, and all that they have written down."""

    class PlanBy(models.IntegerChoices):
        """The share of outcomes, in percent, that are spent by the day a swap is planned for."""

        VERY_CAREFUL = 5, "Very careful: 1 in 20 would be spent by then"
        CAREFUL = 10, "Careful: 1 in 10 would be spent by then"
        SPARING = 25, "Sparing: 1 in 4 would be spent by then"
        EVEN = 50, "Even chances: 1 in 2 would be spent by then"

    name = models.CharField("household name", max_length=80)
    time_zone = models.CharField(max_length=60, default="UTC", validators=[check_time_zone])
    currency = models.CharField(max_length=3, default="USD")
    plan_by = models.PositiveSmallIntegerField(choices=PlanBy.choices, default=PlanBy.CAREFUL)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    people: models.ManyToManyField[User, Membership] = models.ManyToManyField(
        User, through="Membership", related_name="households"
    )

    HOUSEHOLD = "pk"

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        return zoneinfo.ZoneInfo(self.time_zone)

    @classmethod
    def found(cls, *, owner: User, name: str = "", **fields: Any) -> Household:
        """Start a household with its first owner."""
        with transaction.atomic():
            household = cls.objects.create(name=name or f"{owner}’s household", **fields)
            Membership.objects.create(household=household, person=owner, role=Membership.Role.OWNER)
        return household


class Membership(models.Model):
    """One person's place in one household."""

    class Role(models.TextChoices):
        OWNER = "owner", "Owner"
        KEEPER = "keeper", "Keeper"
        VIEWER = "viewer", "Viewer"

    household = models.ForeignKey(Household, models.CASCADE, related_name="memberships")
    person = models.ForeignKey(User, models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=6, choices=Role.choices, default=Role.KEEPER)
    since = models.DateTimeField(default=timezone.now, editable=False)

    HOUSEHOLD = "household"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household", "person"], name="one_place_each"),
        ]

    def __str__(self) -> str:
        return f"{self.person} in {self.household} ({self.get_role_display()})"

    @property
    def may_write(self) -> bool:
        return self.role in (self.Role.OWNER, self.Role.KEEPER)

    @property
    def may_govern(self) -> bool:
        return self.role == self.Role.OWNER


class Invitation(models.Model):
    """A place offered to somebody by email. Only the digest of its secret is kept; it works once,
    until it expires or is taken back."""

    household = models.ForeignKey(Household, models.CASCADE, related_name="invitations")
    email = models.EmailField()
    role = models.CharField(
        max_length=6, choices=Membership.Role.choices, default=Membership.Role.KEEPER
    )
    digest = models.CharField(max_length=64, unique=True, editable=False)
    made_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    used_by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    revoked_at = models.DateTimeField(null=True, blank=True)

    HOUSEHOLD = "household"

    def __str__(self) -> str:
        return f"Invitation of {self.email} to {self.household}"


class HouseholdEvent(models.Model):
    """Who joined, left, was given another role or changed the household, and when."""

    household = models.ForeignKey(Household, models.CASCADE, related_name="events")
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(User, models.SET_NULL, null=True, related_name="+")
    says = models.CharField(max_length=300)

    HOUSEHOLD = "household"

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return self.says
