"""Messages: who wants to hear what, what is to be said, and whether it was delivered."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.db import models
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, Membership, User


class NoticeKind(models.TextChoices):
    """What a notice is about. The first four wait for the person's hour; alarms do not."""

    NEARLY_DUE = "nearly_due", "Nearly due"
    DUE = "due", "Due today"
    OVERDUE = "overdue", "Overdue"
    ORDER = "order", "Time to order"
    ALARM = "alarm", "Chlorine above the limit"
    PROBLEM = "problem", "Something looks wrong"


class NoticeWishes(models.Model):
    """What one person wants to hear about one household, and when.

    ``kinds`` of null are those that suit the person's role; ``escalate_after_days`` of 0 is
    never. ``looked_on`` is the last day, on the household's calendar, on which it was settled
    whether a digest is called for.
    """

    membership = models.OneToOneField(Membership, models.CASCADE, related_name="wishes")
    by_email = models.BooleanField("send me email", default=True)
    hour = models.PositiveSmallIntegerField("at", default=8)
    lead_days = models.PositiveSmallIntegerField("how many days ahead", default=7)
    kinds = models.JSONField(null=True, blank=True)
    paused_until = models.DateField("no mail until", null=True, blank=True)
    escalate_after_days = models.PositiveSmallIntegerField(
        "tell me of what others have left undone for so many days", default=3
    )
    looked_on = models.DateField(null=True, blank=True, editable=False)

    HOUSEHOLD = "membership__household"

    def __str__(self) -> str:
        return f"What {self.membership} wants to hear"


class Letter(models.Model):
    """One email to one person about one household: the day's digest, or an alarm.

    ``worked_until`` is the lease of the worker that is sending it. The Message-ID is fixed when
    the letter is made, so that a repeat after a crash can be told for what it is.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        SENT = "sent", "Sent"
        FAILED = "failed", "Could not be delivered"
        LAPSED = "lapsed", "No longer needed"

    person = models.ForeignKey(User, models.CASCADE, related_name="letters")
    household = models.ForeignKey(Household, models.CASCADE, related_name="letters")
    on = models.DateField()
    urgent = models.BooleanField(default=False)
    slot = models.CharField(max_length=64)
    message_id = models.CharField(max_length=120, unique=True)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    send_after = models.DateTimeField(default=timezone.now)
    state = models.CharField(max_length=7, choices=State.choices, default=State.WAITING)
    worked_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_to = models.EmailField(blank=True)

    HOUSEHOLD = "household"

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "household", "slot"], name="one_letter_a_slot"
            ),
        ]
        indexes = [models.Index(fields=["state", "send_after"])]

    def __str__(self) -> str:
        return f"Letter to {self.person} of {self.on:%-d %b %Y}"


class Notice(models.Model):
    """One thing to tell one person: unique by person, thing, due date and kind.

    ``thing`` names what it is about ("swap:stage-12", "chore:5", "alarm:outlet-test/31").
    """

    person = models.ForeignKey(User, models.CASCADE, related_name="notices")
    household = models.ForeignKey(Household, models.CASCADE, related_name="notices")
    train = models.ForeignKey(Train, models.CASCADE, null=True, related_name="notices")
    thing = models.CharField(max_length=80)
    kind = models.CharField(max_length=10, choices=NoticeKind.choices)
    due_on = models.DateField()
    says = models.JSONField(default=dict)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    letter = models.ForeignKey(
        Letter, models.SET_NULL, null=True, blank=True, related_name="notices"
    )
    lapsed_at = models.DateTimeField(null=True, blank=True)

    HOUSEHOLD = "household"

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "household", "thing", "due_on", "kind"], name="said_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.thing} for {self.person}"


class Delivery(models.Model):
    """One attempt to hand one letter to the mail server, with what it answered.

    ``unsure`` from its start until a definite answer: the server may have taken the letter.
    """

    letter = models.ForeignKey(Letter, models.CASCADE, related_name="deliveries")
    started_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)
    answer = models.CharField(max_length=300, blank=True)
    accepted = models.BooleanField(default=False)
    unsure = models.BooleanField(default=True)

    HOUSEHOLD = "letter__household"

    class Meta:
        ordering = ["started_at", "pk"]

    def __str__(self) -> str:
        return f"Attempt of {self.started_at:%-d %b %Y %H:%M}"


class FeedToken(models.Model):
    """The secret address of one person's calendar of one household; only its digest is kept.

    ``said_digest`` is that of the calendar as it was last read, ``said_at`` since when it reads so.
    """

    membership = models.ForeignKey(Membership, models.CASCADE, related_name="feeds")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True)
    read_at = models.DateTimeField(null=True, blank=True)
    said_digest = models.CharField(max_length=64, blank=True, editable=False)
    said_at = models.DateTimeField(null=True, blank=True, editable=False)

    HOUSEHOLD = "membership__household"

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["membership"],
                condition=models.Q(revoked_at__isnull=True),
                name="one_live_address_each",
            ),
        ]

    def __str__(self) -> str:
        return f"Calendar of {self.membership}"


class CalendarEvent(models.Model):
    """What the calendar last said of one thing, so that a moved date moves the same event."""

    household = models.ForeignKey(Household, models.CASCADE, related_name="calendar_events")
    thing = models.CharField(max_length=80)
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    sequence = models.PositiveIntegerField(default=0)
    on = models.DateField()
    says = models.JSONField(default=dict)
    changed_at = models.DateTimeField(default=timezone.now)
    gone_at = models.DateTimeField(null=True, blank=True)

    HOUSEHOLD = "household"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household", "thing"], name="one_event_a_thing"),
        ]

    def __str__(self) -> str:
        return f"{self.thing} on {self.on:%-d %b %Y}"

    def move(self, *, on: dt.date, says: dict[str, Any]) -> bool:
        """Take a new day or new words; True when anything changed."""
        if self.on == on and self.says == says and self.gone_at is None:
            return False
        self.on, self.says, self.gone_at = on, says, None
        self.sequence += 1
        self.changed_at = timezone.now()
        return True
