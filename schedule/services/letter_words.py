"""The words of a letter, as text and as HTML, from what its notices say and still stands."""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from email.utils import formataddr, parseaddr
from functools import cache

import css_inline
from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from hobbyhydro.households.models import Membership
from hobbyhydro.households.templatetags.quantities import in_days
from schedule.models import Letter, Notice, NoticeKind

from . import links

LONGEST_SUBJECT = 150
BREAKS = {"Cc", "Cs", "Zl", "Zp"}  # Unicode's categories of controls and of line breaks
WORDS = {
    NoticeKind.ALARM: "Above your limit",
    NoticeKind.PROBLEM: "Looks wrong",
    NoticeKind.OVERDUE: "Overdue",
    NoticeKind.DUE: "Today",
    NoticeKind.NEARLY_DUE: "Soon",
    NoticeKind.ORDER: "To order",
}
RANKS = {
    NoticeKind.ALARM: 0,
    NoticeKind.PROBLEM: 1,
    NoticeKind.OVERDUE: 2,
    NoticeKind.DUE: 3,
    NoticeKind.NEARLY_DUE: 4,
    NoticeKind.ORDER: 4,
}


@dataclass(frozen=True, slots=True)
class Line:
    """One item of a letter. ``when`` names the day and how far it is."""

    kind: NoticeKind
    word: str
    title: str
    when: str
    why: str
    how: str
    train: str
    link: str

    @property
    def how_indented(self) -> str:
        """How it is done, under its item of the text."""
        return "\n".join(f"  {row.strip()}" for row in self.how.splitlines() if row.strip())

    @property
    def subject(self) -> str:
        """What and when, in a line."""
        joint = {"was": ": ", "since": ", "}.get(self.when.split()[0], " ")
        return f"{self.title}{joint}{self.when}"


def lines_of(notices: Sequence[Notice], *, today: dt.date) -> list[Line]:
    """The items in the order of their weight, then of their days."""
    found = [(_rank(n, today), n.due_on, n.pk, n) for n in notices]
    return [_line(n, today=today) for *_, n in sorted(found, key=lambda row: row[:3])]


def subject_of(lines: Sequence[Line]) -> str:
    """The first item in full, and how many more there are."""
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    first = lines[0].subject
    room = LONGEST_SUBJECT - len(more)
    return (first if len(first) <= room else first[: room - 1].rstrip() + "…") + more


def compose(
    letter: Letter, place: Membership, news: Sequence[Notice], standing: Sequence[Notice]
) -> EmailMultiAlternatives:
    """The whole message: ``news`` in full, and below it in short what still stands from before."""
    with timezone.override(place.household.zone):
        today = timezone.localdate()
        lines = lines_of(news, today=today)
        subject = subject_of(lines)
        stop = links.to_stop(place)
        told = {
            "subject": subject,
            "name": place.person.name,
            "household": place.household,
            "urgent": letter.urgent,
            "lines": lines,
            "standing": lines_of(standing, today=today),
            "wishes_url": links.absolute(reverse("notices")),
            "home_url": links.absolute("/"),
            "stop_url": stop,
        }
        text = render_to_string("schedule/letters/letter.txt", told)
        html = _inliner().inline(render_to_string("schedule/letters/letter.html", told))
    mail = EmailMultiAlternatives(
        subject,
        text,
        _sender(),
        [place.person.email],
        headers={
            "Message-ID": letter.message_id,
            "List-Unsubscribe": f"<{stop}>",
            "List-Unsubscribe-Post": "List-Unsubscribe=One-Click",
            "Auto-Submitted": "auto-generated",
        },
    )
    mail.attach_alternative(html, "text/html")
    return mail


def kind_now(notice: Notice, *, today: dt.date) -> NoticeKind:
    """What kind of news it has become by today: a letter may have waited for the mail server."""
    kind = NoticeKind(notice.kind)
    if kind in (NoticeKind.ALARM, NoticeKind.PROBLEM):
        return kind
    if notice.due_on < today:
        return NoticeKind.OVERDUE
    if kind is NoticeKind.NEARLY_DUE and notice.due_on == today:
        return NoticeKind.DUE
    return kind


def when_words(notice: Notice, *, today: dt.date) -> str:
    """“by Tue 1 Dec, in 6 days”, “today, Wed 25 Nov”, “was due Fri 20 Nov, 5 days ago”."""
    day = f"{notice.due_on:%a} {notice.due_on.day} {notice.due_on:%b}"
    if notice.due_on.year != today.year:
        day += f" {notice.due_on.year}"
    far = in_days(notice.due_on)
    kind = kind_now(notice, today=today)
    if kind in (NoticeKind.ALARM, NoticeKind.PROBLEM):
        return f"since {day}, {far}" if notice.due_on < today else f"since today, {day}"
    if notice.due_on < today:
        return f"was due {day}, {far}"
    return f"today, {day}" if notice.due_on == today else f"by {day}, {far}"


def _line(notice: Notice, *, today: dt.date) -> Line:
    kind = kind_now(notice, today=today)
    said = notice.says
    return Line(
        kind=kind,
        word=WORDS[kind],
        title=_one_line(said.get("title", "")),
        when=when_words(notice, today=today),
        why=_one_line(said.get("why", "")).rstrip("."),
        how=said.get("how", ""),
        train=notice.train.name if notice.train else "",
        link=links.to_do(notice),
    )


def _rank(notice: Notice, today: dt.date) -> int:
    return RANKS[kind_now(notice, today=today)]


def _one_line(text: str) -> str:
    """Words of a keeper's own without line breaks, which a subject cannot hold."""
    flat = "".join(" " if unicodedata.category(c) in BREAKS else c for c in text)
    return " ".join(word for word in flat.split(" ") if word)


def _sender() -> str:
    name, address = parseaddr(settings.DEFAULT_FROM_EMAIL)
    return formataddr((name or "HobbyHydro", address))


@cache
def _inliner() -> css_inline.CSSInliner:
    sheet = render_to_string("schedule/letters/letter.css")
    return css_inline.CSSInliner(extra_css=sheet, load_remote_stylesheets=False)
