"""Who wants to hear what about a household, and whether they are to be told now."""

from __future__ import annotations

import datetime as dt

from hobbyhydro.households.models import Household, Membership
from schedule.models import NoticeKind, NoticeWishes

MOST_LEAD_DAYS = 60
FOR_THOSE_WHO_SEE = (NoticeKind.ALARM, NoticeKind.PROBLEM)
"""What somebody who can see but not act is told, unless they choose otherwise. What the others
leave undone for long reaches them all the same."""


def wishes_of(place: Membership) -> NoticeWishes:
    """The wishes written down for this place; those that stand without any are not saved."""
    try:
        return place.wishes
    except NoticeWishes.DoesNotExist:
        return NoticeWishes(membership=place)


def kinds_of(wishes: NoticeWishes) -> list[str]:
    """The kinds of news that the person chose, or those that suit what they may do here."""
    if wishes.kinds is not None:
        return list(wishes.kinds)
    chosen = NoticeKind if wishes.membership.may_write else FOR_THOSE_WHO_SEE
    return [str(kind) for kind in chosen]


def keep(wishes: NoticeWishes, **changes: object) -> None:
    """Write down wishes, of which these are new."""
    for name, value in changes.items():
        setattr(wishes, name, value)
    if wishes.pk is None:
        NoticeWishes.objects.update_or_create(
            membership=wishes.membership,
            defaults={
                f.name: getattr(wishes, f.name)
                for f in NoticeWishes._meta.concrete_fields
                if f.name not in ("id", "membership")
            },
        )
    else:
        wishes.save(update_fields=list(changes))


def listens(wishes: NoticeWishes, *, today: dt.date) -> bool:
    """Whether mail may be sent at all: wanted, and not paused."""
    paused = wishes.paused_until is not None and wishes.paused_until > today
    return wishes.by_email and not paused


def may_be_written_to(place: Membership, *, today: dt.date) -> bool:
    """Whether this person may get mail about this household now."""
    return place.person.is_active and listens(wishes_of(place), today=today)


def listeners(household: Household, *, today: dt.date) -> list[Membership]:
    """The places of the household whose person takes mail now. One query."""
    places = household.memberships.select_related("person", "wishes").order_by("since", "pk")
    return [place for place in places if may_be_written_to(place, today=today)]
