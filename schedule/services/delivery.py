"""Hands letters to the mail server: at least once, and twice only where that cannot be helped.

A worker takes a letter by a lease (``worked_until``), sends it outside any transaction, and writes
down the answer. A worker that dies leaves a lease that runs out, and another sends the letter
again under the same Message-ID. Only where the server had accepted it, and the worker died or lost
the connection before that was written down, does the person get it twice.

An answer of 4xx, no connection, and a server that does not answer are tried again, after a minute
at first and then after twice as long each time, up to six hours; three days after the first try it
is given up. An answer of 5xx about sender, recipient or letter ends it at once. A server that
refuses to talk to us at all (no greeting, bad password) says nothing about the letter, so that
counts as no connection.
"""

from __future__ import annotations

import datetime as dt
import logging
import smtplib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import Enum

from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db import connection, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from schedule.models import Delivery, Letter, Notice, NoticeKind

from . import notices
from .letter_words import compose
from .letters import let_go, news_of, place_of

LEASE = dt.timedelta(minutes=10)
FIRST_WAIT = dt.timedelta(minutes=1)
LONGEST_WAIT = dt.timedelta(hours=6)
GIVE_UP_AFTER = dt.timedelta(days=3)
LOOK_AGAIN_AFTER = dt.timedelta(minutes=10)
"""A letter older than this is compared with the agenda once more before it is sent."""

logger = logging.getLogger(__name__)


class Result(Enum):
    ACCEPTED = "accepted"
    LATER = "later"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one attempt. ``unsure``: the server may have taken the letter."""

    result: Result
    words: str
    unsure: bool = False


def deliver(*, stop: Callable[[], bool] = lambda: False) -> dict[str, int]:
    """Send every letter whose time has come; how many went which way."""
    tally = {result.value: 0 for result in Result}
    while not stop():
        taken = claim(now=timezone.now())
        if taken is None:
            break
        answer = _attempt(*taken)
        if answer is not None:
            tally[answer.result.value] += 1
    return tally


def ready(*, now: dt.datetime) -> QuerySet[Letter]:
    """Letters that wait, whose time has come, and that no worker holds.

    A time or a lease more than twice as far ahead as we ever set one was written while the clock
    was wrong, and does not bind. Not once as far: a worker that waited for the database asks with
    a moment that lies before the one at which another took its lease.
    """
    return Letter.objects.filter(
        Q(send_after__lte=now) | Q(send_after__gt=now + 2 * LONGEST_WAIT),
        Q(worked_until__isnull=True)
        | Q(worked_until__lte=now)
        | Q(worked_until__gt=now + 2 * LEASE),
        state=Letter.State.WAITING,
    )


def claim(*, now: dt.datetime) -> tuple[Letter, dt.datetime] | None:
    """Take one letter, alarms first; its lease keeps other workers away. None where none waits."""
    until = now + LEASE
    while True:
        with transaction.atomic():
            rows = ready(now=now).order_by("-urgent", "send_after", "pk")
            if connection.features.has_select_for_update_skip_locked:
                rows = rows.select_for_update(skip_locked=True)
            letter = rows.first()
            if letter is None:
                return None
            ours = ready(now=now).filter(pk=letter.pk).update(worked_until=until)
        if ours:
            return letter, until


@transaction.atomic
def finish(
    letter: Letter, lease: dt.datetime, attempt: Delivery, answer: Answer, *, now: dt.datetime
) -> None:
    """Write down what became of the attempt. A worker whose lease ran out changes no letter."""
    attempt.ended_at, attempt.answer = now, answer.words[:300]
    attempt.accepted, attempt.unsure = answer.result is Result.ACCEPTED, answer.unsure
    attempt.save(update_fields=["ended_at", "answer", "accepted", "unsure"])
    held = Letter.objects.filter(pk=letter.pk, worked_until=lease)
    if answer.result is Result.ACCEPTED:
        state = Letter.State.SENT
        held.update(state=state, sent_at=now, sent_to=letter.sent_to, worked_until=None)
        return
    attempts = letter.deliveries.values_list("started_at", flat=True)
    if answer.result is Result.NEVER or now - min(attempts) >= GIVE_UP_AFTER:
        held.update(state=Letter.State.FAILED, sent_to=letter.sent_to, worked_until=None)
        logger.warning("Letter %s cannot be delivered: %s", letter.message_id, answer.words)
        return
    held.update(send_after=now + wait_after(len(attempts)), worked_until=None)


def wait_after(attempts: int) -> dt.timedelta:
    """How long to wait after so many attempts: one minute, doubling, at most six hours."""
    doublings = min(attempts - 1, 20)
    return min(FIRST_WAIT * (1 << doublings), LONGEST_WAIT)


def _attempt(letter: Letter, lease: dt.datetime) -> Answer | None:
    """Put the letter together, send it and write down what became of it; None where there is no
    longer any reason to send it."""
    begun = timezone.now()
    try:
        mail = _prepared(letter)
    except Exception as error:  # a fault in one letter must not hold up the others
        logger.exception("Letter %s cannot be put together", letter.message_id)
        answer = Answer(Result.LATER, f"It could not be put together: {_words(error)}")
        attempt = letter.deliveries.create(started_at=begun)
        finish(letter, lease, attempt, answer, now=timezone.now())
        return answer
    if mail is None:
        let_go(letter)
        return None
    letter.sent_to = mail.to[0]
    letter.deliveries.filter(ended_at=None).update(ended_at=begun, answer="The attempt broke off.")
    attempt = letter.deliveries.create(started_at=begun)
    with handed_over(mail) as answer:
        finish(letter, lease, attempt, answer, now=timezone.now())
    return answer


def _prepared(letter: Letter) -> EmailMultiAlternatives | None:
    """The message with what it has to say now, or None where that is nothing or to nobody."""
    place = place_of(letter)
    if place is None:
        return None
    if not letter.urgent and timezone.now() - letter.made_at > LOOK_AGAIN_AFTER:
        today = timezone.localdate(timezone=place.household.zone)
        notices.lapse_gone(place.household, today=today)
    news = news_of(letter)
    if not news:
        return None
    standing = Notice.objects.none()
    if not letter.urgent:
        standing = Notice.objects.filter(
            person=place.person, household=place.household, lapsed_at=None
        ).exclude(letter=letter)
        standing = standing.filter(Q(letter__isnull=False) | Q(kind=NoticeKind.ALARM))
    return compose(letter, place, news, list(standing.select_related("train")))


@contextmanager
def handed_over(mail: EmailMultiAlternatives) -> Iterator[Answer]:
    """One try to give the message to the mail server. The answer can be written down before the
    goodbyes, which may take their time."""
    server = get_connection()
    try:
        yield _send(server, mail)
    finally:
        with suppress(Exception):
            server.close()


def _send(server: BaseEmailBackend, mail: EmailMultiAlternatives) -> Answer:
    try:
        server.open()
    except Exception as error:  # whatever it is, the letter did not get as far as the server
        return Answer(Result.LATER, f"No connection: {_words(error)}")
    try:
        server.send_messages([mail])
    except smtplib.SMTPRecipientsRefused as refused:
        return _by_code(*next(iter(refused.recipients.values())))
    except smtplib.SMTPResponseException as refused:
        return _by_code(refused.smtp_code, refused.smtp_error)
    except smtplib.SMTPNotSupportedError as error:
        return Answer(Result.NEVER, _words(error))
    except (OSError, smtplib.SMTPException) as error:
        return Answer(Result.LATER, f"The connection broke off: {_words(error)}", unsure=True)
    except Exception as error:  # a fault of ours in one letter must not hold up the others
        logger.exception("A letter could not be sent")
        return Answer(Result.LATER, f"It could not be sent: {_words(error)}", unsure=True)
    return Answer(Result.ACCEPTED, "")


def _by_code(code: int, said: bytes | str) -> Answer:
    words = said.decode(errors="replace") if isinstance(said, bytes) else said
    result = Result.NEVER if 500 <= code < 600 else Result.LATER
    # A server that breaks off in the middle is given this code by the library, for want of one.
    return Answer(result, f"{code} {words}", unsure=code < 400)


def _words(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
