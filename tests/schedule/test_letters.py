"""The day's letter: one at most, at the hour, only with news, and what it says."""

from __future__ import annotations

import datetime as dt
from html.parser import HTMLParser

import pytest
import time_machine
from django.core import mail

from hobbyhydro.households.models import Household, User
from schedule.models import Chore, Letter, Notice
from schedule.services import chore_acts, chores
from schedule.services.letters import settle_day

from .letter_box import (
    DAY,
    NOON,
    TODAY,
    chore,
    headers,
    html_of,
    round_at,
    sent,
    sent_to,
    wish,
)

HOUR = dt.timedelta(hours=1)


def test_nothing_is_sent_where_nothing_is_due(household: Household, owner: User) -> None:
    chore(household, on=TODAY + 30 * DAY)
    for hours in range(0, 72, 6):
        round_at(NOON + hours * HOUR)
    assert mail.outbox == []
    assert not Letter.objects.exists() and not Notice.objects.exists()


def test_one_letter_tells_all_of_a_day(household: Household, owner: User) -> None:
    chore(household, on=TODAY, title="Clean the drain")
    chore(household, on=TODAY + 5 * DAY, title="Check the leak stop")
    chore(household, on=TODAY - DAY, title="Measure each line")
    for minutes in range(0, 600, 60):
        round_at(NOON + dt.timedelta(minutes=minutes))
    [message] = sent()
    assert message.to == [owner.email]
    assert message.subject == "Measure each line: was due Mon 2 Mar, yesterday (and 2 more)"
    for body in (message.body, html_of(message)):
        for words in (
            "Clean the drain",
            "Check the leak stop",
            "By Sun 8 Mar, in 5 days",
            "Today, Tue 3 Mar",
            "Was due Mon 2 Mar, yesterday",
        ):
            assert words in body


@pytest.mark.parametrize(
    ("days", "subject"),
    [
        (6, "Clean the drain by Mon 9 Mar, in 6 days"),
        (1, "Clean the drain by Wed 4 Mar, tomorrow"),
        (0, "Clean the drain today, Tue 3 Mar"),
        (-5, "Clean the drain: was due Thu 26 Feb, 5 days ago"),
    ],
)
def test_the_subject_says_what_and_when(
    household: Household, owner: User, days: int, subject: str
) -> None:
    chore(household, on=TODAY + days * DAY)
    round_at(NOON)
    assert sent_to(owner) == [subject]


def test_a_day_of_another_year_has_its_year(household: Household, owner: User) -> None:
    chore(household, on=dt.date(2027, 1, 3))
    round_at(dt.datetime(2026, 12, 30, 12, tzinfo=dt.UTC))
    assert sent_to(owner) == ["Clean the drain by Sun 3 Jan 2027, in 4 days"]


def test_nobody_hears_the_same_twice(household: Household, owner: User) -> None:
    """Nearly due, due and overdue are told once each, however long it stays undone."""
    chore(household, on=TODAY + 2 * DAY)
    for day in range(30):
        round_at(NOON + day * DAY)
    assert sent_to(owner) == [
        "Clean the drain by Thu 5 Mar, in 2 days",
        "Clean the drain today, Thu 5 Mar",
        "Clean the drain: was due Thu 5 Mar, yesterday",
    ]


def test_what_stands_from_before_is_repeated_below_the_news(
    household: Household, owner: User
) -> None:
    chore(household, on=TODAY + 5 * DAY, title="Check the leak stop")
    round_at(NOON)
    chore(household, on=TODAY + DAY, title="Clean the drain")
    round_at(NOON + DAY)
    text = str(sent()[1].body)
    news, before = text.split("Still open from before:")
    assert "Clean the drain" in news and "Check the leak stop" not in news
    assert "Check the leak stop, by Sun 8 Mar, in 4 days" in before


def test_news_after_the_days_letter_waits_for_the_next(household: Household, owner: User) -> None:
    chore(household, on=TODAY, title="Clean the drain")
    round_at(NOON)
    chore(household, on=TODAY, title="Check the leak stop")
    round_at(NOON + HOUR)
    assert len(sent()) == 1
    round_at(NOON + DAY)
    assert "Check the leak stop" in sent()[1].body


def test_each_gets_a_letter_of_their_own(
    household: Household, owner: User, keeper: User, viewer: User
) -> None:
    chore(household, on=TODAY)
    round_at(NOON)
    assert sorted(m.to[0] for m in sent()) == sorted([owner.email, keeper.email])
    assert all(len(m.recipients()) == 1 for m in sent())
    assert len({headers(m)["Message-ID"] for m in sent()}) == 2


def test_a_person_of_two_households_hears_of_each(household: Household, owner: User) -> None:
    other = Household.found(owner=owner, name="The cabin")
    chore(household, on=TODAY)
    chore(other, on=TODAY, title="Empty the lines")
    round_at(NOON)
    assert sorted(sent_to(owner)) == [
        "Clean the drain today, Tue 3 Mar",
        "Empty the lines today, Tue 3 Mar",
    ]


def test_who_left_or_may_not_sign_in_hears_nothing(
    household: Household, owner: User, keeper: User
) -> None:
    chore(household, on=TODAY)
    household.memberships.filter(person=keeper).delete()
    User.objects.filter(pk=owner.pk).update(is_active=False)
    round_at(NOON)
    assert mail.outbox == []


# The hour


def test_the_hour_is_the_households(household: Household, owner: User) -> None:
    """In Chicago (UTC−6 in winter) eight o’clock is 14:00 UTC."""
    household.time_zone = "America/Chicago"
    household.save()
    chore(household, on=TODAY)
    round_at(NOON + dt.timedelta(hours=1, minutes=59))
    assert mail.outbox == []
    round_at(NOON + 2 * HOUR)
    assert sent_to(owner) == ["Clean the drain today, Tue 3 Mar"]


def test_each_has_an_hour_of_their_own(household: Household, owner: User, keeper: User) -> None:
    wish(owner, household, hour=6)
    wish(keeper, household, hour=20)
    chore(household, on=TODAY)
    round_at(NOON)
    assert [m.to[0] for m in sent()] == [owner.email]
    round_at(NOON + 8 * HOUR)
    assert [m.to[0] for m in sent()] == [owner.email, keeper.email]


def test_the_day_is_the_households(household: Household, owner: User) -> None:
    """In Auckland it is Wednesday already."""
    household.time_zone = "Pacific/Auckland"
    household.save()
    chore(household, on=dt.date(2026, 3, 4))
    round_at(dt.datetime(2026, 3, 3, 19, 30, tzinfo=dt.UTC))  # 8:30 on the 4th
    assert sent_to(owner) == ["Clean the drain today, Wed 4 Mar"]


def rounds(start: dt.datetime, end: dt.datetime, step: dt.timedelta) -> None:
    moment = start
    while moment < end:
        round_at(moment)
        moment += step


@pytest.mark.parametrize(
    ("day", "hour"),
    [
        (dt.date(2026, 3, 8), 2),  # the clock goes from 2:00 to 3:00: there is no such hour
        (dt.date(2026, 3, 8), 3),
        (dt.date(2026, 11, 1), 1),  # from 2:00 back to 1:00: there are two
        (dt.date(2026, 11, 1), 0),
        (dt.date(2024, 2, 29), 8),  # a leap day
    ],
)
def test_a_day_with_a_changed_clock_has_one_letter(
    household: Household, owner: User, day: dt.date, hour: int
) -> None:
    """US clocks change on the second Sunday of March and the first of November (15 USC 260a)."""
    household.time_zone = "America/Chicago"
    household.save()
    wish(owner, household, hour=hour)
    chore(household, on=day)
    zone = household.zone
    start = dt.datetime.combine(day, dt.time(), tzinfo=zone).astimezone(dt.UTC)
    rounds(start, start + dt.timedelta(hours=25), HOUR)
    assert sent_to(owner) == [f"Clean the drain today, {day:%a} {day.day} {day:%b}"]
    [letter] = Letter.objects.all()
    assert letter.on == day and letter.sent_at is not None
    assert letter.sent_at.astimezone(zone).hour == (3 if (day.month, hour) == (3, 2) else hour)


def test_a_yearly_chore_of_a_leap_day_is_told_on_its_day(household: Household, owner: User) -> None:
    chore(household, on=dt.date(2028, 2, 29))
    rounds(dt.datetime(2028, 2, 20, 12, tzinfo=dt.UTC), dt.datetime(2028, 3, 1, tzinfo=dt.UTC), DAY)
    assert sent_to(owner) == [
        "Clean the drain by Tue 29 Feb, in 7 days",
        "Clean the drain today, Tue 29 Feb",
    ]


def test_three_days_without_the_worker_end_in_one_letter(household: Household, owner: User) -> None:
    for k in range(4):
        chore(household, on=TODAY + k * DAY, title=f"Chore of day {k}")
    wish(owner, household, lead_days=0)
    round_at(NOON)
    round_at(NOON + 4 * DAY)
    assert len(sent()) == 2
    back = sent()[1]
    assert back.subject == "Chore of day 0: was due Tue 3 Mar, 4 days ago (and 3 more)"
    for k in range(4):
        assert f"Chore of day {k}" in back.body
    round_at(NOON + 5 * DAY)
    assert len(sent()) == 2


@pytest.mark.parametrize("by", [HOUR, 6 * HOUR, DAY, 3 * DAY])
def test_a_clock_set_back_repeats_nothing_and_loses_nothing(
    household: Household, owner: User, by: dt.timedelta
) -> None:
    chore(household, on=TODAY, title="Clean the drain")
    round_at(NOON)
    chore(household, on=TODAY + DAY, title="Check the leak stop")
    moment = NOON - by
    rounds(moment, NOON + 3 * DAY, 4 * HOUR)
    subjects = sent_to(owner)
    assert len([s for s in subjects if s.startswith("Clean the drain today")]) == 1
    assert any("Check the leak stop" in m.body for m in sent()[1:])
    assert len({m.body for m in sent()}) == len(sent()) <= 5


def test_a_clock_that_was_years_ahead_blocks_nothing(household: Household, owner: User) -> None:
    wild = NOON.replace(year=2031)
    round_at(wild)
    chore(household, on=TODAY)
    round_at(NOON)
    assert sent_to(owner) == ["Clean the drain today, Tue 3 Mar"]


# Pause


def test_a_pause_ends_with_one_letter_of_what_still_stands(
    household: Household, owner: User
) -> None:
    wish(owner, household, paused_until=TODAY + 10 * DAY, lead_days=0)
    done = chore(household, on=TODAY + DAY, title="Clean the drain")
    chore(household, on=TODAY + 2 * DAY, title="Check the leak stop")
    rounds(NOON, NOON + 5 * DAY, DAY)
    with time_machine.travel(NOON + 5 * DAY, tick=False):
        turn = chores.open_turn(done, today=TODAY + 5 * DAY)
        assert turn is not None
        chore_acts.done(turn, by=owner)
    assert mail.outbox == []
    rounds(NOON + 6 * DAY, NOON + 14 * DAY, DAY)
    assert sent_to(owner) == ["Check the leak stop: was due Thu 5 Mar, 8 days ago"]


def test_who_switched_mail_off_gets_none(household: Household, owner: User) -> None:
    wish(owner, household, by_email=False)
    chore(household, on=TODAY)
    round_at(NOON)
    assert mail.outbox == [] and not Letter.objects.exists()


# What a letter holds


def test_headers_let_programs_know_and_stop_it(household: Household, owner: User) -> None:
    """RFC 8058, 3.1: an https address in List-Unsubscribe, and List-Unsubscribe-Post."""
    chore(household, on=TODAY)
    round_at(NOON)
    found = headers(sent()[0])
    assert found["Message-ID"] == Letter.objects.get().message_id
    assert found["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert str(found["List-Unsubscribe"]).startswith("<http")
    assert str(found["List-Unsubscribe"]).endswith("/stop/>")
    assert found["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert [part.get_content_type() for part in found.walk()] == [
        "multipart/alternative",
        "text/plain",
        "text/html",
    ]


class Tags(HTMLParser):
    """Every tag, with what it has."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_html_needs_no_image_no_sheet_and_nothing_from_elsewhere(
    household: Household, owner: User
) -> None:
    chore(household, on=TODAY)
    round_at(NOON)
    tags = Tags(html_of(sent()[0])).found
    names = {tag for tag, _ in tags}
    assert not names & {"img", "link", "style", "script", "iframe", "form"}
    assert all("src" not in has and "background" not in has for _, has in tags)
    styled = [has.get("style") or "" for _, has in tags if has.get("class")]
    assert styled and all(styled)  # every class was written into its element
    links = [has["href"] for tag, has in tags if tag == "a"]
    assert all(str(link).startswith("http://127.0.0.1:8000/") for link in links)
    assert len([link for link in links if "/do/" in str(link)]) == 1


def test_words_of_a_keepers_own_stay_words(household: Household, owner: User) -> None:
    """Neither markup in the HTML nor a second line in the subject."""
    Chore.objects.create(
        household=household,
        title="Rinse\r\nBcc: all@example.org <b>twice</b> & “well”",
        how="Use <a> brush.",
        rule="FREQ=YEARLY",
        start=TODAY,
    )
    round_at(NOON)
    [message] = sent()
    assert message.subject == ("Rinse Bcc: all@example.org <b>twice</b> & “well” today, Tue 3 Mar")
    assert headers(message)["Bcc"] is None
    assert "&lt;b&gt;twice&lt;/b&gt; &amp; “well”" in html_of(message)
    assert "<b>twice</b> & “well”" in message.body and "Use <a> brush." in message.body


def test_a_long_title_is_cut_in_the_subject_alone(household: Household, owner: User) -> None:
    title = "Rinse " + "very " * 22 + "well"
    chore(household, on=TODAY, title=title)
    chore(household, on=TODAY)
    round_at(NOON)
    [message] = sent()
    assert len(message.subject) <= 150 and message.subject.endswith("(and 1 more)")
    assert title in message.body


def test_done_before_it_is_sent_it_is_not_sent(household: Household, owner: User) -> None:
    """The mail server is away, and by the time it is back the chore is done."""
    made = chore(household, on=TODAY)
    with time_machine.travel(NOON, tick=False):
        assert len(settle_day(household, now=NOON)) == 1
        turn = chores.open_turn(made, today=TODAY)
        assert turn is not None
        chore_acts.done(turn, by=owner)
    round_at(NOON + HOUR)
    assert mail.outbox == []
    assert Letter.objects.get().state == Letter.State.LAPSED


def test_paused_before_it_is_sent_it_is_kept_for_later(household: Household, owner: User) -> None:
    chore(household, on=TODAY)
    with time_machine.travel(NOON, tick=False):
        settle_day(household, now=NOON)
    wish(owner, household, paused_until=TODAY + 5 * DAY)
    round_at(NOON + HOUR)
    assert mail.outbox == []
    round_at(NOON + 5 * DAY)
    assert sent_to(owner) == ["Clean the drain: was due Tue 3 Mar, 5 days ago"]
