"""Signed addresses that stand in mail. They say who may do what, and nothing that is secret."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.conf import settings
from django.core import signing
from django.urls import reverse

from hobbyhydro.households.models import Membership
from schedule.models import Notice

GOOD_FOR = dt.timedelta(days=60)
_DO, _STOP = "a thing to do in a letter", "stop letters"


class Expired(Exception):
    """The link is sound and too old."""


@dataclass(frozen=True, slots=True)
class Errand:
    """What a link in a letter leads to: one notice of one person about one household."""

    person: int
    household: int
    notice: int


def absolute(path: str) -> str:
    """The whole address of a path of this site."""
    return f"{settings.SITE_URL}{path}"


def to_do(notice: Notice) -> str:
    """The address that opens the form for what the notice is about."""
    said = [notice.person_id, notice.household_id, notice.pk]
    return absolute(reverse("letter-link", args=[signing.dumps(said, salt=_DO)]))


def errand(link: str) -> Errand | None:
    """What a link says; None where it was not made here, Expired where it is too old."""
    try:
        return Errand(*signing.loads(link, salt=_DO, max_age=GOOD_FOR))
    except signing.SignatureExpired as old:
        raise Expired from old
    except signing.BadSignature:
        return None


def to_stop(place: Membership) -> str:
    """The address that stops the mail of this person about this household. It does not expire:
    somebody who wants no mail must be able to say so under any letter, however old."""
    said = [place.person_id, place.pk]
    return absolute(reverse("letter-stop", args=[signing.dumps(said, salt=_STOP)]))


def place_to_stop(link: str) -> Membership | None:
    """Whose mail is to stop; None where the link was not made here or the place is gone."""
    try:
        person, place = signing.loads(link, salt=_STOP)
    except signing.BadSignature:
        return None
    places = Membership.objects.select_related("household", "person", "wishes")
    return places.filter(pk=place, person=person).first()
