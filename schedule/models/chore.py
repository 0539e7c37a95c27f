"""Chores beside the swaps: what is to be done, by which rule, and what became of it."""

from __future__ import annotations

import datetime as dt

from django.db import models
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, User


class Chore(models.Model):
    """Something to do again and again. ``rule`` is an RFC 5545 recurrence, counted from ``start``.

    A chore with an ``occasion`` is due whenever that occurs (with each swap, say) instead.
    """

    class Occasion(models.TextChoices):
        INTERVAL = "interval", "By the calendar"
        SWAP = "swap", "With each swap"
        SWITCH = "switch", "Daily while the utility has switched disinfectant"
        LAST_TENTH = "last_tenth", "Daily in the last tenth of the first carbon’s life"

    household = models.ForeignKey(Household, models.CASCADE, related_name="chores")
    train = models.ForeignKey(Train, models.CASCADE, null=True, blank=True, related_name="chores")
    starter_key = models.CharField(max_length=40, blank=True, editable=False)
    title = models.CharField(max_length=120)
    how = models.TextField("how it is done", max_length=1000, blank=True)
    occasion = models.CharField(max_length=10, choices=Occasion.choices, default=Occasion.INTERVAL)
    rule = models.CharField("repeats", max_length=200, blank=True)
    start = models.DateField("from")
    log_kind = models.CharField(max_length=24, blank=True)
    paused = models.BooleanField(default=False)
    removed_at = models.DateTimeField(null=True, blank=True, editable=False)

    HOUSEHOLD = "household"

    class Meta:
        ordering = ["title", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["train", "starter_key"],
                condition=~models.Q(starter_key=""),
                name="one_starter_a_train",
            ),
        ]

    def __str__(self) -> str:
        return self.title


class ChoreTurn(models.Model):
    """One time that a chore is due, and what became of it. Open turns have no ``state_at``.

    A chore has at most one open turn: what was missed before it is done with it. ``fact`` names
    the log entry that completed the turn ("outlet-test/31"), so that undoing the entry opens it.
    """

    class State(models.TextChoices):
        OPEN = "open", "To do"
        DONE = "done", "Done"
        SKIPPED = "skipped", "Skipped"

    chore = models.ForeignKey(Chore, models.CASCADE, related_name="turns")
    due_on = models.DateField()
    put_off_to = models.DateField(null=True, blank=True)
    state = models.CharField(max_length=7, choices=State.choices, default=State.OPEN)
    state_at = models.DateTimeField(null=True, blank=True)
    state_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=200, blank=True)
    fact = models.CharField(max_length=40, blank=True, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)

    HOUSEHOLD = "chore__household"

    class Meta:
        ordering = ["due_on", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["chore", "due_on"], name="one_turn_a_chore_and_day"),
            models.UniqueConstraint(
                fields=["chore"], condition=models.Q(state="open"), name="one_open_turn_a_chore"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.chore} on {self.now_due_on:%-d %b %Y}"

    @property
    def now_due_on(self) -> dt.date:
        return self.put_off_to or self.due_on
