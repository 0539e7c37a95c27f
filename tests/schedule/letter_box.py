"""Chores and rounds for the tests of letters."""

from __future__ import annotations

import datetime as dt
from email.message import Message

import time_machine
from django.core import mail
from django.core.mail import EmailMultiAlternatives

from hobbyhydro.households.models import Household, User
from schedule.models import Chore
from schedule.services.caretaker import Caretaker, Tally
from schedule.services.wishes import keep, wishes_of

NOON = dt.datetime(2026, 3, 3, 12, 0, tzinfo=dt.UTC)
TODAY = NOON.date()
DAY = dt.timedelta(days=1)


def chore(household: Household, *, on: dt.date, title: str = "Clean the drain") -> Chore:
    """Something to do once a year, first on this day."""
    return Chore.objects.create(household=household, title=title, rule="FREQ=YEARLY", start=on)


def wish(person: User, household: Household, **changes: object) -> None:
    """Write down what this person wants to hear about this household."""
    place = household.memberships.get(person=person)
    keep(wishes_of(place), **changes)


def round_at(moment: dt.datetime) -> Tally:
    """The caretaker's round as it is at this moment."""
    with time_machine.travel(moment, tick=False):
        return Caretaker().round()


def sent() -> list[EmailMultiAlternatives]:
    """What has gone out, oldest first."""
    return [m for m in mail.outbox if isinstance(m, EmailMultiAlternatives)]


def sent_to(person: User) -> list[str]:
    """The subjects of what this person was sent."""
    return [m.subject for m in sent() if m.to == [person.email]]


def html_of(message: EmailMultiAlternatives) -> str:
    [(html, kind)] = message.alternatives
    assert kind == "text/html"
    return str(html)


def headers(message: EmailMultiAlternatives) -> Message:
    found: Message = message.message()
    return found
