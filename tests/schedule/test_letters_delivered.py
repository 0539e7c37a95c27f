"""How letters reach a real mail server that is not always in the mood."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.core import mail

from hobbyhydro.households.models import Household, User
from schedule.models import Delivery, Letter, Notice
from schedule.services import delivery, letter_words
from schedule.services.delivery import GIVE_UP_AFTER, LEASE, LONGEST_WAIT, wait_after
from schedule.services.letters import settle_day

from .letter_box import DAY, NOON, TODAY, chore, round_at, sent, wish
from .smtp import Office, Post, free_port

MINUTE = dt.timedelta(minutes=1)
State = Letter.State


@pytest.fixture
def post(settings: Any) -> Iterator[Post]:
    """A mail server on this machine, to which the tool is pointed."""
    with Office(Post()) as server:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", server.port
        settings.EMAIL_TIMEOUT = 1.0
        yield server


@pytest.fixture
def due(household: Household) -> None:
    chore(household, on=TODAY)


def letter() -> Letter:
    return Letter.objects.get()


def test_it_arrives_as_it_was_written(post: Post, due: None, owner: User) -> None:
    tally = round_at(NOON)
    [message] = post.accepted
    assert post.recipients == [owner.email]
    assert message["Subject"] == "Clean the drain today, Tue 3 Mar"
    assert message["Message-ID"] == letter().message_id
    text, html = (message.get_body((kind,)) for kind in ("plain", "html"))
    assert text is not None and "TODAY: Clean the drain" in text.get_content()
    assert html is not None and "Clean the drain" in html.get_content()
    assert (letter().state, letter().sent_at, letter().sent_to) == (State.SENT, NOON, owner.email)
    [attempt] = letter().deliveries.all()
    assert attempt.accepted and not attempt.unsure and attempt.ended_at == NOON
    assert (tally.letters, tally.accepted) == (1, 1)


@pytest.mark.parametrize(("manner", "code"), [("defer", "451"), ("busy", "452")])
def test_a_server_that_defers_is_asked_again(post: Post, due: None, manner: str, code: str) -> None:
    post.manner = manner
    round_at(NOON)
    assert letter().state == State.WAITING and letter().worked_until is None
    [attempt] = letter().deliveries.all()
    assert attempt.answer.startswith(code) and not attempt.accepted and not attempt.unsure
    round_at(NOON + 0.9 * MINUTE)
    assert post.tries == 1  # not before its minute is over
    post.manner = "accept"
    round_at(NOON + MINUTE)
    assert letter().state == State.SENT and len(post.accepted) == 1


@pytest.mark.parametrize(("manner", "code"), [("refuse", "550 5.1.1"), ("spam", "554 5.7.1")])
def test_a_server_that_refuses_is_believed(
    post: Post, due: None, manner: str, code: str, owner: User, as_owner: Any
) -> None:
    post.manner = manner
    for minutes in range(0, 600, 30):
        round_at(NOON + minutes * MINUTE)
    assert post.tries == 1 and post.accepted == []
    assert letter().state == State.FAILED
    with time_machine.travel(NOON, tick=False):
        for path in ("/you/notices/", "/household/"):
            page = as_owner.get(path).content.decode()
            assert "could not be delivered" in page and code in page and owner.email in page


def test_a_failure_is_forgotten_once_mail_arrives_again(
    post: Post, due: None, household: Household, as_owner: Any
) -> None:
    post.manner = "refuse"
    round_at(NOON)
    post.manner = "accept"
    chore(household, on=TODAY + DAY, title="Check the leak stop")
    round_at(NOON + DAY)
    with time_machine.travel(NOON + DAY, tick=False):
        assert "could not be delivered" not in as_owner.get("/household/").content.decode()


def test_one_refusal_does_not_hold_up_the_others(
    post: Post, due: None, household: Household, owner: User, keeper: User
) -> None:
    post.manner = "refuse"
    with time_machine.travel(NOON, tick=False):
        settle_day(household, now=NOON)
        first = delivery.claim(now=NOON)
        assert first is not None
        delivery._attempt(*first)
        post.manner = "accept"
        delivery.deliver()
    assert sorted(Letter.objects.values_list("state", flat=True)) == [State.FAILED, State.SENT]


@pytest.mark.parametrize("manner", ["hang", "drop", "swallow"])
def test_no_answer_is_tried_again_under_the_same_name(post: Post, due: None, manner: str) -> None:
    """Where the server kept the letter and its answer was lost, the second is the same letter."""
    post.manner = manner
    round_at(NOON)
    assert letter().state == State.WAITING
    [attempt] = letter().deliveries.all()
    assert attempt.unsure and "broke off" in attempt.answer
    post.manner = "accept"
    round_at(NOON + MINUTE)
    assert letter().state == State.SENT
    names = post.message_ids()
    assert names == [letter().message_id] * (2 if manner == "swallow" else 1)


def test_a_server_that_is_not_there_is_waited_for(settings: Any, due: None) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", free_port()
    round_at(NOON)
    assert letter().state == State.WAITING
    [attempt] = letter().deliveries.all()
    assert attempt.answer.startswith("No connection") and not attempt.unsure


def test_waits_double_up_to_six_hours() -> None:
    waits = [wait_after(n) / MINUTE for n in range(1, 13)]
    assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 360, 360, 360]
    assert wait_after(10_000) == LONGEST_WAIT


def test_after_three_days_it_is_given_up(post: Post, due: None) -> None:
    post.manner = "defer"
    moment, tries = NOON, 0
    while letter_state() != State.FAILED and tries < 100:
        round_at(moment)
        tries += 1
        moment = Letter.objects.earliest("pk").send_after
    attempts = Letter.objects.earliest("pk").deliveries.order_by("started_at")
    span = attempts[len(attempts) - 1].started_at - attempts[0].started_at
    assert GIVE_UP_AFTER <= span < GIVE_UP_AFTER + LONGEST_WAIT
    assert 15 < len(attempts) < 25


def letter_state() -> str:
    first = Letter.objects.order_by("pk").first()
    return first.state if first else ""


def test_days_without_a_mail_server_end_in_one_letter(
    post: Post, household: Household, owner: User
) -> None:
    """What comes up while a letter waits goes into that letter."""
    wish(owner, household, lead_days=0)
    post.manner = "defer"
    for k in range(3):
        chore(household, on=TODAY + k * DAY, title=f"Chore of day {k}")
    for hours in range(0, 60, 2):
        round_at(NOON + dt.timedelta(hours=hours))
    assert Letter.objects.count() == 1
    post.manner = "accept"
    round_at(NOON + dt.timedelta(hours=66))
    [message] = post.accepted
    body = message.get_body(("plain",))
    assert body is not None
    assert all(f"Chore of day {k}" in body.get_content() for k in range(3))


def test_nothing_is_put_into_a_letter_that_may_have_arrived(
    post: Post, household: Household, owner: User
) -> None:
    """A program that drops the second of one name would drop what was added to it."""
    wish(owner, household, lead_days=0)
    chore(household, on=TODAY)
    chore(household, on=TODAY + DAY, title="Check the leak stop")
    post.manner = "swallow"
    round_at(NOON)
    Letter.objects.update(send_after=NOON + 26 * dt.timedelta(hours=1))  # waits past tomorrow's
    post.manner = "accept"
    round_at(NOON + DAY)
    assert post.subjects() == [
        "Clean the drain today, Tue 3 Mar",
        "Clean the drain: was due Tue 3 Mar, yesterday (and 1 more)",
    ]
    assert len(set(post.message_ids())) == 2


# Workers that die, and clocks that lie


def test_a_letter_in_work_is_left_alone_until_its_lease_is_over(post: Post, due: None) -> None:
    with time_machine.travel(NOON, tick=False):
        settle_day(Household.objects.get(), now=NOON)
        assert delivery.claim(now=NOON) is not None  # and the worker dies
        assert delivery.claim(now=NOON) is None
    round_at(NOON + LEASE - MINUTE)
    assert post.tries == 0
    round_at(NOON + LEASE)
    assert letter().state == State.SENT


def test_a_worker_that_asks_late_does_not_take_what_another_holds(post: Post, due: None) -> None:
    """It read the clock, then waited for the database while another took the letter."""
    second = dt.timedelta(seconds=1)
    with time_machine.travel(NOON, tick=False):
        settle_day(Household.objects.get(), now=NOON - second)
        assert delivery.claim(now=NOON) is not None
        assert delivery.claim(now=NOON - second) is None


def test_a_worker_whose_lease_is_over_changes_nothing(post: Post, due: None) -> None:
    with time_machine.travel(NOON, tick=False):
        settle_day(Household.objects.get(), now=NOON)
        slow = delivery.claim(now=NOON)
        assert slow is not None
    round_at(NOON + LEASE)
    late = NOON + LEASE + MINUTE
    attempt = Delivery.objects.create(letter=slow[0], started_at=NOON)
    answer = delivery.Answer(delivery.Result.NEVER, "550 no")
    delivery.finish(*slow, attempt, answer, now=late)
    assert letter().state == State.SENT


def test_what_a_dead_worker_began_is_marked(post: Post, due: None) -> None:
    with time_machine.travel(NOON, tick=False):
        settle_day(Household.objects.get(), now=NOON)
        taken = delivery.claim(now=NOON)
        assert taken is not None
        taken[0].deliveries.create(started_at=NOON)
    round_at(NOON + LEASE)
    first, second = letter().deliveries.all()
    assert first.unsure and first.answer == "The attempt broke off." and not first.accepted
    assert second.accepted


@pytest.mark.parametrize("field", ["worked_until", "send_after"])
def test_a_time_from_a_wrong_clock_does_not_bind(post: Post, due: None, field: str) -> None:
    """The clock was a year ahead while the letter was taken, or put off, and was then put right."""
    with time_machine.travel(NOON, tick=False):
        settle_day(Household.objects.get(), now=NOON)
    Letter.objects.update(**{field: NOON + 365 * DAY})
    round_at(NOON + MINUTE)
    assert letter().state == State.SENT


def test_a_letter_that_cannot_be_put_together_holds_up_nobody(
    due: None, owner: User, keeper: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    compose = letter_words.compose

    def broken(letter: Letter, *args: Any) -> Any:
        if letter.person_id == owner.pk:
            raise RuntimeError("no words")
        return compose(letter, *args)

    monkeypatch.setattr(delivery, "compose", broken)
    tally = round_at(NOON)
    assert (tally.accepted, tally.later) == (1, 1)
    assert [m.to for m in sent()] == [[keeper.email]]
    assert "no words" in Letter.objects.get(person=owner).deliveries.get().answer


def test_alarms_go_before_digests(due: None, household: Household, owner: User) -> None:
    with time_machine.travel(NOON, tick=False):
        settle_day(household, now=NOON)
        alarm = Letter.objects.create(
            person=owner, household=household, on=TODAY, urgent=True, slot="alarm:x",
            message_id="<x@y>",
        )  # fmt: skip
        Notice.objects.create(
            person=owner, household=household, thing="alarm:x", kind="alarm", due_on=TODAY,
            says={"title": "Chlorine above your limit"}, letter=alarm,
        )  # fmt: skip
        delivery.deliver()
    assert [m.subject for m in sent()] == [
        "Chlorine above your limit, since today, Tue 3 Mar",
        "Clean the drain today, Tue 3 Mar",
    ]
    assert len(mail.outbox) == 2
