"""The letters of the last month as a page shows them, and whose mail does not arrive."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Prefetch
from django.utils import timezone

from hobbyhydro.households.models import Household, Membership, User
from schedule.models import Delivery, Letter, Notice

from .letter_words import lines_of

SHOWN_FOR = dt.timedelta(days=30)
SHOWN_LINES = 4


@dataclass(frozen=True, slots=True)
class Shown:
    """One letter: what it says, and what became of it."""

    letter: Letter
    lines: list[str]
    answer: str
    attempts: int

    @property
    def shown(self) -> list[str]:
        """The first things it says."""
        return self.lines[:SHOWN_LINES]

    @property
    def more(self) -> int:
        """How many things it says beside those that are shown."""
        return max(0, len(self.lines) - SHOWN_LINES)

    @property
    def look(self) -> str:
        """The state's look, one of “ok”, “soon”, “now”, “unknown”."""
        return {"sent": "ok", "waiting": "soon", "failed": "now"}.get(self.letter.state, "unknown")


def lately(place: Membership) -> list[Shown]:
    """This person's letters about this household, newest first. Three queries."""
    today = timezone.localdate(timezone=place.household.zone)
    letters = (
        Letter.objects.filter(
            person=place.person_id,
            household=place.household_id,
            made_at__gte=timezone.now() - SHOWN_FOR,
        )
        .prefetch_related(
            Prefetch("notices", Notice.objects.select_related("train")),
            Prefetch("deliveries", Delivery.objects.order_by("started_at", "pk")),
        )
        .order_by("-made_at", "-pk")
    )
    return [_shown(letter, today=today) for letter in letters]


def _shown(letter: Letter, *, today: dt.date) -> Shown:
    attempts = list(letter.deliveries.all())
    said = [n for n in letter.notices.all() if n.lapsed_at is None or _was_said(n, letter)]
    return Shown(
        letter=letter,
        lines=[line.title for line in lines_of(said, today=today)],
        answer=attempts[-1].answer if attempts else "",
        attempts=len(attempts),
    )


def _was_said(notice: Notice, letter: Letter) -> bool:
    """Whether it still stood when the letter went out."""
    if letter.sent_at is None or notice.lapsed_at is None:
        return letter.state == Letter.State.LAPSED
    return notice.lapsed_at >= letter.sent_at


@dataclass(frozen=True, slots=True)
class Trouble:
    """Somebody whose last letter could not be delivered."""

    person: User
    address: str
    answer: str
    on: dt.date


def trouble(household: Household) -> list[Trouble]:
    """Everybody of the household whose last letter of the month came back. Two queries."""
    letters = (
        Letter.objects.filter(
            household=household,
            made_at__gte=timezone.now() - SHOWN_FOR,
            state__in=[Letter.State.SENT, Letter.State.FAILED],
            person__memberships__household=household,
        )
        .select_related("person")
        .prefetch_related("deliveries")
        .order_by("made_at", "pk")
    )
    last = {letter.person_id: letter for letter in letters}
    return [
        Trouble(letter.person, letter.sent_to, _answer(letter), letter.on)
        for letter in last.values()
        if letter.state == Letter.State.FAILED and letter.sent_to == letter.person.email
    ]


def _answer(letter: Letter) -> str:
    attempts = list(letter.deliveries.all())
    return attempts[-1].answer if attempts else ""
