"""Places offered by email: made, mailed, taken back and taken up.

The link holds a secret of 256 random bits; only its SHA-256 is kept. It works once, for seven
days, and for the address that it was sent to alone.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from dataclasses import dataclass
from enum import Enum
from typing import Final

import css_inline
from django.core.exceptions import PermissionDenied
from django.core.mail import EmailMultiAlternatives
from django.db import transaction
from django.db.models import QuerySet
from django.template.loader import render_to_string
from django.utils import timezone

from . import people
from .models import Household, Invitation, Membership, User
from .people import PeopleError

LASTS: Final = dt.timedelta(days=7)
A_DAY: Final = 20  # so many from one household within 24 hours


class State(Enum):
    """What has become of an invitation."""

    OPEN = "open"
    USED = "used"
    REVOKED = "revoked"
    EXPIRED = "expired"


class InvitationGone(ValueError):
    """The invitation cannot be taken up any more; ``state`` says why."""

    def __init__(self, state: State) -> None:
        super().__init__(f"The invitation is {state.value}.")
        self.state = state


@dataclass(frozen=True, slots=True)
class Offer:
    """A fresh invitation with its secret, which is nowhere else."""

    invitation: Invitation
    secret: str


def digest_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


def find(secret: str) -> Invitation | None:
    """The invitation with that secret, whatever has become of it."""
    rows = Invitation.objects.select_related("household", "made_by")
    return rows.filter(digest=digest_of(secret)).first()


def state_of(invitation: Invitation) -> State:
    """Whether it can still be taken up, and if not, why."""
    if invitation.used_at is not None:
        return State.USED
    if invitation.revoked_at is not None:
        return State.REVOKED
    return State.OPEN if timezone.now() < invitation.expires_at else State.EXPIRED


def standing(household: Household) -> QuerySet[Invitation]:
    """Invitations that were neither used nor taken back, the newest first, expired ones too."""
    rows = household.invitations.filter(used_at__isnull=True, revoked_at__isnull=True)
    return rows.select_related("made_by").order_by("-made_at", "-pk")


def is_for(invitation: Invitation, person: User) -> bool:
    """Whether it was sent to an address of this person."""
    return invitation.email.lower() in people.addresses(person)


@transaction.atomic
def invite(*, household: Household, email: str, role: str, by: User) -> Offer:
    """Offer a place. An earlier offer to the same address no longer works from then on."""
    home = people.hold(household.pk)
    people.must_govern(home, by)
    address = email.strip().lower()
    member = people.member_by_email(home, address)
    if member is not None:
        raise PeopleError(f"{member} belongs to this household already.", field="email")
    now = timezone.now()
    if home.invitations.filter(made_at__gt=now - dt.timedelta(days=1)).count() >= A_DAY:
        raise PeopleError(
            f"{A_DAY} invitations were sent from this household within a day, and that is as many "
            "as we send. Please try again tomorrow.",
            field="email",
        )
    again = standing(home).filter(email__iexact=address).update(revoked_at=now)
    secret = secrets.token_urlsafe(32)
    invitation = Invitation.objects.create(
        household=home,
        email=address,
        role=role,
        digest=digest_of(secret),
        made_by=by,
        made_at=now,
        expires_at=now + LASTS,
    )
    verb = "was invited once more" if again else "was invited"
    people.note(home, by=by, says=f"{address} {verb} as {people.AS[role]}")
    return Offer(invitation, secret)


@transaction.atomic
def revoke(invitation: Invitation, *, by: User, why: str = "was taken back") -> None:
    """Take an offer back; its link no longer works."""
    home = people.hold(invitation.household_id)
    people.must_govern(home, by)
    fresh = Invitation.objects.select_for_update().get(pk=invitation.pk)
    if fresh.used_at is not None:
        raise PeopleError(f"{fresh.used_by or fresh.email} took the invitation up in the meantime.")
    if fresh.revoked_at is not None:
        return
    fresh.revoked_at = timezone.now()
    fresh.save(update_fields=["revoked_at"])
    people.note(home, by=by, says=f"The invitation of {fresh.email} {why}")


@transaction.atomic
def accept(invitation: Invitation, *, person: User) -> tuple[Membership, bool]:
    """Take the place that was offered; whether it is new to the person comes with it.

    Raises InvitationGone, or PermissionDenied where it was sent to another address.
    """
    home = people.hold(invitation.household_id)
    fresh = Invitation.objects.select_for_update().get(pk=invitation.pk)
    if not is_for(fresh, person):
        raise PermissionDenied("This invitation was sent to another address.")
    place = home.memberships.filter(person=person).select_related("household").first()
    if place is not None and fresh.used_by_id == person.pk:
        return place, False
    if (state := state_of(fresh)) is not State.OPEN:
        raise InvitationGone(state)
    fresh.used_at, fresh.used_by = timezone.now(), person
    fresh.save(update_fields=["used_at", "used_by"])
    if place is not None:
        return place, False
    place = Membership.objects.create(household=home, person=person, role=fresh.role)
    people.note(home, by=person, says=f"{person} joined as {people.AS[fresh.role]}")
    return place, True


def send(offer: Offer, *, link: str) -> None:
    """Mail the link to the address it is for; raises OSError where no server takes it."""
    invitation = offer.invitation
    context = {
        "household": invitation.household,
        "who": invitation.made_by,
        "may": people.MAY[invitation.role],
        "role": people.AS[invitation.role],
        "until": timezone.localtime(invitation.expires_at),
        "email": invitation.email,
        "link": link,
    }
    name = "households/mail/invitation"
    subject = " ".join(render_to_string(f"{name}_subject.txt", context).split())
    message = EmailMultiAlternatives(
        subject,
        render_to_string(f"{name}.txt", context).strip() + "\n",
        to=[invitation.email],
    )
    html = css_inline.inline(render_to_string(f"{name}.html", context))
    message.attach_alternative(html, "text/html")
    message.send()
