"""The secret address of a person's calendar. Whoever holds it may read, so only its digest is
kept, it is shown once, and another one puts it out of use."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from typing import Any

from django.db import transaction
from django.utils import timezone

from hobbyhydro.households.models import Membership
from schedule.models import FeedToken

SECRET_BYTES = 32
"""256 random bits: nobody finds one by trying."""

READ_NOTED_EVERY = dt.timedelta(minutes=30)


def digest_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


def live(place: Membership) -> FeedToken | None:
    """The address that works now, if this place has one."""
    return place.feeds.filter(revoked_at__isnull=True).first()


@transaction.atomic
def rotate(place: Membership) -> str:
    """A new secret; the one before it stops working at the same moment."""
    Membership.objects.select_for_update().get(pk=place.pk)
    stop(place)
    secret = secrets.token_urlsafe(SECRET_BYTES)
    FeedToken.objects.create(membership=place, digest=digest_of(secret))
    return secret


def stop(place: Membership) -> None:
    """Put the address out of use."""
    place.feeds.filter(revoked_at__isnull=True).update(revoked_at=timezone.now())


def find(secret: str) -> FeedToken | None:
    """The address that this secret opens; None where it is unknown or out of use, or where the
    person may no longer sign in. One query."""
    rows = FeedToken.objects.select_related(
        "membership__household", "membership__person", "membership__wishes"
    )
    return rows.filter(
        digest=digest_of(secret), revoked_at__isnull=True, membership__person__is_active=True
    ).first()


def note_reading(token: FeedToken, *, digest: str, now: dt.datetime) -> dt.datetime:
    """Remember that it was read; since when the calendar reads as it does now."""
    changes: dict[str, Any] = {}
    if token.said_at is None or token.said_digest != digest:
        changes |= {"said_digest": digest, "said_at": now}
    if token.read_at is None or now - token.read_at >= READ_NOTED_EVERY or changes:
        changes["read_at"] = now
    if changes:
        for name, value in changes.items():
            setattr(token, name, value)
        FeedToken.objects.filter(pk=token.pk).update(**changes)
    assert token.said_at is not None
    return token.said_at
