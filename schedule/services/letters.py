"""Letters: at most one digest a day for each person and household, at the hour they chose.

Once a day, at the person's hour or as soon after it as the tool runs, it is settled whether there
is anything to say. If so, a letter is made; its words are put together when it is sent
(``letter_words``), so that what was done in the meantime is left out.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from urllib.parse import urlsplit

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from hobbyhydro.households.models import Household, Membership
from schedule.models import Delivery, Letter, Notice, NoticeKind

from . import notices
from .wishes import keep, may_be_written_to, wishes_of


def message_id() -> str:
    """A name for one letter that no other letter in the world has (RFC 5322, 3.6.4)."""
    return f"<{uuid.uuid4()}@{urlsplit(settings.SITE_URL).hostname}>"


def to_settle(places: Sequence[Membership], *, now: dt.datetime) -> list[Membership]:
    """Of these places of one household, those whose hour has come today and is not settled yet.

    The hour is counted by the clock on the household's wall. One that is skipped in spring counts
    as come with the next; one that comes twice in autumn is settled the first time.
    """
    found = []
    for place in places:
        local = now.astimezone(place.household.zone)
        wishes = wishes_of(place)
        if (
            local.hour >= wishes.hour
            and wishes.looked_on != local.date()
            and may_be_written_to(place, today=local.date())
        ):
            found.append(place)
    return found


@transaction.atomic
def settle_day(household: Household, *, now: dt.datetime) -> list[Letter]:
    """Write the notices of everybody whose hour has come, and a letter for each who has news.

    Whole or not at all; done twice, or by two workers at once, it changes nothing more.
    """
    Household.objects.select_for_update().get(pk=household.pk)
    rows = household.memberships.select_related("person", "wishes", "household")
    places = to_settle(list(rows.order_by("since", "pk")), now=now)
    today = now.astimezone(household.zone).date()
    if not places:
        return []
    notices.write(household, places, today=today)
    made = _put_into_letters(household, places, now=now)
    for place in places:
        keep(wishes_of(place), looked_on=today)
    return made


def _put_into_letters(
    household: Household, places: Sequence[Membership], *, now: dt.datetime
) -> list[Letter]:
    """The unsaid notices of each person into a letter that still waits, or into a new one."""
    today = now.astimezone(household.zone).date()
    people = [place.person_id for place in places]
    news: dict[int, list[int]] = {}
    unsaid = Notice.objects.filter(
        household=household, person__in=people, letter=None, lapsed_at=None
    ).exclude(kind=NoticeKind.ALARM)
    for person, notice in unsaid.values_list("person_id", "pk"):
        news.setdefault(person, []).append(notice)
    if not news:
        return []
    open_letters, served = _letters_of(household, list(news), now=now)
    made = []
    for person, keys in news.items():
        letter = open_letters.get(person)
        if letter is None:
            if person in served:
                continue  # had today's letter already; tomorrow's takes it
            letter = Letter.objects.create(
                person_id=person,
                household=household,
                on=today,
                slot=f"day:{today}",
                message_id=message_id(),
                made_at=now,
                send_after=now,
            )
            made.append(letter)
        Notice.objects.filter(pk__in=keys).update(letter=letter)
    return made


def _letters_of(
    household: Household, people: list[int], *, now: dt.datetime
) -> tuple[dict[int, Letter], set[int]]:
    """Digests that can still take in more, by person; and those who had one today.

    One that is being sent, or that the server may have taken without our knowing, is closed: what
    is put into it might never be read.
    """
    today = now.astimezone(household.zone).date()
    unsure = Delivery.objects.filter(letter=OuterRef("pk"), unsure=True)
    rows = (
        Letter.objects.select_for_update()
        .filter(household=household, person__in=people, urgent=False)
        .filter(
            Q(state=Letter.State.WAITING)
            | Q(slot=f"day:{today}")
            | Q(sent_at__gte=now - dt.timedelta(days=2))
        )
    )
    open_letters, served = {}, set()
    closed = set(rows.filter(Exists(unsure)).values_list("pk", flat=True))
    for letter in rows.order_by("pk"):
        waits = letter.state == Letter.State.WAITING
        if waits and letter.worked_until is None and letter.pk not in closed:
            open_letters[letter.person_id] = letter
        sent_on = letter.sent_at and letter.sent_at.astimezone(household.zone).date()
        if letter.slot == f"day:{today}" or sent_on == today:
            served.add(letter.person_id)
    return open_letters, served


def news_of(letter: Letter) -> list[Notice]:
    """What the letter has to say as of now."""
    return list(letter.notices.filter(lapsed_at=None).order_by("due_on", "pk"))


def place_of(letter: Letter) -> Membership | None:
    """Where the letter's person belongs, if they may still be written to about the household."""
    rows = Membership.objects.select_related("person", "household", "wishes")
    place = rows.filter(person=letter.person_id, household=letter.household_id).first()
    if place is None:
        return None
    today = timezone.localdate(timezone=place.household.zone)
    return place if may_be_written_to(place, today=today) else None


@transaction.atomic
def let_go(letter: Letter) -> None:
    """Do not send this letter. What it was to say and still stands is free for another."""
    letter.state, letter.worked_until = Letter.State.LAPSED, None
    letter.save(update_fields=["state", "worked_until"])
    letter.notices.filter(lapsed_at=None).exclude(kind=NoticeKind.ALARM).update(letter=None)
