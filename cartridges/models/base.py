"""What every logged fact has in common: when, who, and a history that nothing overwrites."""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar, Self, cast

from django.db import models, transaction
from django.utils import timezone

from hobbyhydro.households.models import User


class FactQuerySet(models.QuerySet[Any]):
    """Facts of one kind."""

    def standing(self) -> Self:
        """Those that hold: neither undone nor replaced by a correction."""
        return self.filter(withdrawn_at__isnull=True)

    def in_order(self) -> Self:
        return self.order_by("at", "pk")


class Fact(models.Model):
    """Something that was read, done or seen at one moment.

    A fact is never changed. A correction is a new row that ``replaces`` the old one, which is
    withdrawn in the same transaction; undoing a fact withdraws it. Both say who, when and why, and
    both can be taken back. Facts that were one act (the two fittings of a rotation) share ``act``.
    """

    at = models.DateTimeField("when", db_index=True)
    logged_at = models.DateTimeField(default=timezone.now, editable=False)
    logged_by = models.ForeignKey(
        User, models.SET_NULL, null=True, blank=True, related_name="+", editable=False
    )
    remark = models.CharField("remark", max_length=500, blank=True)
    act = models.UUIDField(null=True, blank=True, editable=False, db_index=True)
    replaces = models.ForeignKey(
        "self", models.RESTRICT, null=True, blank=True, editable=False, related_name="+"
    )
    why = models.CharField("why it was corrected", max_length=200, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)
    withdrawn_by = models.ForeignKey(
        User, models.SET_NULL, null=True, blank=True, related_name="+", editable=False
    )
    withdrawn_why = models.CharField(max_length=200, blank=True)

    KIND: ClassVar[str]
    HOUSEHOLD: ClassVar[str]

    objects = FactQuerySet.as_manager()

    class Meta:
        abstract = True

    @classmethod
    def rows(cls) -> FactQuerySet:
        """All facts of this kind."""
        return FactQuerySet(cls)

    @property
    def stands(self) -> bool:
        return self.withdrawn_at is None

    def withdraw(self, *, by: User | None, why: str = "") -> None:
        """Take this fact out of every calculation, keeping it to be read."""
        self.withdrawn_at = timezone.now()
        self.withdrawn_by = by
        self.withdrawn_why = why
        self.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_why"])

    def reinstate(self) -> None:
        """Let a withdrawn fact hold again."""
        self.withdrawn_at = None
        self.withdrawn_by = None
        self.withdrawn_why = ""
        self.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_why"])

    def correct(self, *, by: User | None, why: str, **changes: Any) -> Self:
        """Replace this fact by one with ``changes``; the old one stays, withdrawn."""
        with transaction.atomic():
            fresh = type(self)()
            keep = {"id", "replaces", "why", "logged_at", "logged_by"}
            for field in self._meta.concrete_fields:
                if field.name not in keep and not field.name.startswith("withdrawn"):
                    setattr(fresh, field.attname, getattr(self, field.attname))
            for name, value in changes.items():
                setattr(fresh, name, value)
            fresh.replaces = self
            fresh.logged_by = by
            fresh.why = why
            fresh.save()
            self.withdraw(by=by, why=why or "corrected")
        return fresh

    def versions(self) -> list[Self]:
        """This fact and all it replaced, newest first."""
        found: list[Self] = []
        version: Self | None = self
        while version is not None:
            found.append(version)
            version = cast("Self | None", version.replaces)
        return found

    def summary(self, *, units: str) -> str:
        """What was logged, in the reader's units, in one line."""
        raise NotImplementedError(f"{type(self).__name__} needs a summary")

    @property
    def day(self) -> dt.date:
        return timezone.localtime(self.at).date()
