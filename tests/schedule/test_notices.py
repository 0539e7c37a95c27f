"""The page of what a person is told, and when."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from hobbyhydro.households.models import Household, User
from schedule.models import Letter, Notice, NoticeKind, NoticeWishes

FORM = {
    "by_email": "on",
    "hour": "19",
    "lead_days": "12",
    "kinds": ["due", "overdue", "alarm"],
    "escalate_after_days": "5",
}


def wishes(person: User) -> NoticeWishes:
    return NoticeWishes.objects.get(membership__person=person)


def test_notices_works(as_keeper: Client, keeper: User) -> None:
    page = as_keeper.get("/you/notices/")
    assert page.status_code == 200
    text = page.content.decode()
    assert keeper.email in text and "One letter a day at most" in text


def test_notices_keeps_what_is_wished(as_keeper: Client, keeper: User) -> None:
    assert as_keeper.post("/you/notices/", FORM)["Location"] == "/you/notices/"
    kept = wishes(keeper)
    assert (kept.hour, kept.lead_days, kept.escalate_after_days) == (19, 12, 5)
    assert kept.kinds == ["due", "overdue", "alarm"] and kept.by_email
    form = as_keeper.get("/you/notices/").context["form"]
    assert form["kinds"].value() == ["due", "overdue", "alarm"]
    as_keeper.post("/you/notices/", {**FORM, "by_email": "", "kinds": []})
    assert wishes(keeper).kinds == [] and not wishes(keeper).by_email


def test_notices_are_each_persons_own(as_keeper: Client, owner: User, as_viewer: Client) -> None:
    as_keeper.post("/you/notices/", FORM)
    assert as_viewer.post("/you/notices/", {**FORM, "hour": "6"}).status_code == 302
    assert sorted(NoticeWishes.objects.values_list("hour", flat=True)) == [6, 19]


def test_notices_needs_sign_in(client: Client) -> None:
    for path in ("/you/notices/", "/you/notices/pause/", "/you/notices/resume/"):
        assert "/account/login/" in client.post(path)["Location"]


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("lead_days", "-1", "cannot be below zero"),
        ("lead_days", "61", "At most 60 days"),
        ("lead_days", "a week", "whole number"),
        ("lead_days", "1e99", "whole number"),
        ("hour", "24", "Select a valid choice"),
        ("hour", "eight", "Select a valid choice"),
        ("kinds", ["everything"], "Select a valid choice"),
        ("escalate_after_days", "4", "Select a valid choice"),
    ],
)
def test_notices_keeps_what_was_typed(
    as_keeper: Client, field: str, value: object, words: str
) -> None:
    page = as_keeper.post("/you/notices/", {**FORM, field: value})
    assert page.status_code == 200
    assert words in page.content.decode()
    assert page.context["form"][field].value() == value
    assert not NoticeWishes.objects.exists()


def test_pause_works(as_keeper: Client, keeper: User) -> None:
    until = timezone.localdate() + dt.timedelta(days=9)
    answer = as_keeper.post("/you/notices/pause/", {"until": until.isoformat()}, follow=True)
    assert wishes(keeper).paused_until == until
    assert "You get no mail until" in answer.content.decode()


@pytest.mark.parametrize("days", [0, -3, 400])
def test_pause_needs_a_day_ahead(as_keeper: Client, days: int) -> None:
    until = timezone.localdate() + dt.timedelta(days=days)
    page = as_keeper.post("/you/notices/pause/", {"until": until.isoformat()})
    assert page.status_code == 200 and page.context["pause_form"].errors
    assert page.context["pause_form"]["until"].value() == until.isoformat()
    assert not NoticeWishes.objects.exists()


def test_pause_and_resume_reject_get(as_keeper: Client) -> None:
    assert as_keeper.get("/you/notices/pause/").status_code == 405
    assert as_keeper.get("/you/notices/resume/").status_code == 405


def test_resume_works(as_keeper: Client, keeper: User, household: Household) -> None:
    NoticeWishes.objects.create(
        membership=household.memberships.get(person=keeper),
        by_email=False,
        paused_until=timezone.localdate() + dt.timedelta(days=9),
        hour=5,
    )
    assert "not even alarms" in as_keeper.get("/you/notices/").content.decode()
    as_keeper.post("/you/notices/resume/")
    kept = wishes(keeper)
    assert kept.by_email and kept.paused_until is None and kept.hour == 5


def a_letter(person: User, household: Household, n: int, **changes: object) -> Letter:
    letter = Letter.objects.create(
        person=person,
        household=household,
        on=timezone.localdate(),
        slot=f"day:{n}",
        message_id=f"<{n}@{person.pk}>",
        **changes,
    )
    for k in range(2):
        Notice.objects.create(
            person=person,
            household=household,
            letter=letter,
            thing=f"chore:{n}:{k}",
            kind=NoticeKind.DUE,
            due_on=timezone.localdate(),
            says={"title": f"Rinse number {n}"},
        )
    letter.deliveries.create(answer="451 later", ended_at=timezone.now())
    return letter


def test_letters_of_the_month_are_shown_with_what_became_of_them(
    as_keeper: Client, keeper: User, owner: User, household: Household
) -> None:
    now = timezone.now()
    a_letter(keeper, household, 1, state="sent", sent_at=now, sent_to=keeper.email)
    a_letter(keeper, household, 2, state="waiting")
    a_letter(keeper, household, 3, state="failed", sent_to=keeper.email)
    a_letter(keeper, household, 4, made_at=now - dt.timedelta(days=31))
    a_letter(owner, household, 5)
    text = as_keeper.get("/you/notices/").content.decode()
    for words in ("Rinse number 1", "Rinse number 2", "Rinse number 3", "Could not be delivered"):
        assert words in text
    assert "451 later" in text
    assert "Rinse number 4" not in text and "Rinse number 5" not in text


def test_a_long_letter_is_shown_in_short(
    as_keeper: Client, keeper: User, household: Household
) -> None:
    letter = a_letter(keeper, household, 1)
    for k in range(6):
        letter.notices.create(
            person=keeper, household=household, thing=f"swap:{k}", kind=NoticeKind.DUE,
            due_on=timezone.localdate(), says={"title": f"Replace cartridge {k}"},
        )  # fmt: skip
    assert "and 4 more" in as_keeper.get("/you/notices/").content.decode()


def test_trouble_of_others_is_for_owners(
    as_owner: Client, as_viewer: Client, keeper: User, household: Household
) -> None:
    a_letter(keeper, household, 1, state="failed", sent_to=keeper.email)
    assert "could not be delivered" in as_owner.get("/household/").content.decode()
    assert "could not be delivered" not in as_owner.get("/you/notices/").content.decode()
    assert "could not be delivered" not in as_viewer.get("/household/").content.decode()


def test_trouble_of_an_address_that_was_changed_is_over(
    as_owner: Client, keeper: User, household: Household
) -> None:
    a_letter(keeper, household, 1, state="failed", sent_to="old@example.org")
    assert "could not be delivered" not in as_owner.get("/household/").content.decode()


def test_queries_do_not_grow_with_letters(
    as_keeper: Client, keeper: User, household: Household
) -> None:
    a_letter(keeper, household, 0)
    with CaptureQueriesContext(connection) as few:
        as_keeper.get("/you/notices/")
    for n in range(1, 30):
        a_letter(keeper, household, n, state="failed")
    with CaptureQueriesContext(connection) as many:
        as_keeper.get("/you/notices/")
    assert len(many) <= len(few) + 1 <= 13
