"""Chlorine above the limit: told at once, in the transaction that found it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.core import mail
from django.db import transaction
from django.test import Client
from django.utils import timezone

from cartridges.models import OutletTest, Train
from cartridges.services import acts, estimates
from hobbyhydro.households.models import User
from schedule.models import Letter, Notice, NoticeKind
from schedule.services import alarms, delivery
from schedule.services.caretaker import Caretaker

from .letter_box import headers, html_of, sent, sent_to, wish

DAY = dt.timedelta(days=1)
NIGHT = 23  # an hour that nobody has chosen and that has not come


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.MODEL_MEMBERS = 256


@pytest.fixture
def people(train: Train, owner: User, keeper: User, viewer: User) -> list[User]:
    return [owner, keeper, viewer]


def limit(train: Train, mg_l: float) -> None:
    """Another limit, and everything calculated anew."""
    train.limit_mg_l = mg_l
    train.save(update_fields=["limit_mg_l"])
    estimates.refresh(train)


def log_test(
    train: Train, value: float, *, position: int = 3, days_ago: float = 0.01
) -> OutletTest:
    test = OutletTest(
        train=train,
        stage=train.stages.get(position=position),
        value_mg_l=value,
        at=timezone.now() - days_ago * DAY,
    )
    return acts.log(test, by=None)


def open_alarms(person: User) -> list[str]:
    rows = person.notices.filter(kind=NoticeKind.ALARM, lapsed_at=None)
    return [n.thing.split(":")[1] for n in rows]


def test_water_below_the_limit_alarms_nobody(train: Train, people: list[User]) -> None:
    limit(train, 4.0)
    log_test(train, 0.05)
    delivery.deliver()
    assert mail.outbox == [] and not Notice.objects.exists()


def test_a_predicted_outlet_above_the_limit_is_told_at_once(
    train: Train, people: list[User]
) -> None:
    limit(train, 1e-9)
    delivery.deliver()
    assert sorted(m.to[0] for m in sent()) == sorted(p.email for p in people)
    message = sent()[0]
    assert message.subject.startswith(
        "Predicted chlorine above your limit: Basement drip, since today, "
    )
    for body in (message.body, html_of(message)):
        assert "is predicted after stage 3; your limit is" in body
        assert "Test the water now" in body and "Ask an aquatic vet" in body
    assert headers(message)["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"


def test_a_predicted_alarm_is_told_once_as_long_as_it_stands(
    train: Train, people: list[User]
) -> None:
    limit(train, 1e-9)
    first = Notice.objects.filter(kind=NoticeKind.ALARM).count()
    for _ in range(3):
        estimates.refresh(train)
    delivery.deliver()
    assert len(sent()) == first == 3
    limit(train, 4.0)
    assert open_alarms(people[0]) == []


def test_an_alarm_that_ended_before_it_was_sent_is_not_sent(
    train: Train, people: list[User]
) -> None:
    limit(train, 1e-9)
    limit(train, 4.0)
    delivery.deliver()
    assert mail.outbox == []
    assert set(Letter.objects.values_list("state", flat=True)) == {Letter.State.LAPSED}


def test_an_alarm_that_comes_back_unsent_is_sent(train: Train, people: list[User]) -> None:
    limit(train, 1e-9)
    limit(train, 4.0)
    delivery.deliver()
    limit(train, 1e-9)
    delivery.deliver()
    assert len(sent()) == 3


def test_water_that_is_off_alarms_nobody(train: Train, people: list[User]) -> None:
    acts.shut_off(train=train, at=timezone.now() - dt.timedelta(minutes=1), by=None)
    limit(train, 1e-9)
    assert open_alarms(people[0]) == []


def test_a_test_above_the_limit_is_told_at_once(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    log_test(train, 0.4)
    delivery.deliver()
    [subject] = {s for p in people for s in sent_to(p)}
    assert subject.startswith("A test found chlorine above your limit: Basement drip, since today")
    assert "0.40\u00a0mg/L of total chlorine was found after stage 3" in sent()[0].body
    assert "Keep this water from the animals" in sent()[0].body


def test_it_is_written_in_the_transaction_of_the_test(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    with pytest.raises(RuntimeError), transaction.atomic():
        log_test(train, 0.4)
        assert Letter.objects.count() == 3
        raise RuntimeError("the request broke")
    assert not Letter.objects.exists() and not Notice.objects.exists()


def test_it_is_written_by_the_form_that_logs_the_test(
    train: Train, people: list[User], as_keeper: Client
) -> None:
    limit(train, 0.1)
    stage = train.stages.get(position=3)
    at = timezone.localtime().strftime("%Y-%m-%dT%H:%M")
    answer = as_keeper.post(
        f"/trains/{train.pk}/log/outlet-test/",
        {"at": at, "stage": stage.pk, "species": "total", "value_mg_l": "0.4", "kit": "drops"},
    )
    assert answer.status_code == 302, answer.context["form"].errors
    assert "test" in open_alarms(people[0])


@pytest.mark.parametrize(
    ("value", "position", "days_ago"),
    [
        (0.1, 3, 0.01),  # at the limit is not above it
        (1.5, 2, 0.01),  # between the carbon stages it is expected
        (0.4, 3, 15.0),  # long ago
    ],
)
def test_what_is_no_danger_now_alarms_nobody(
    train: Train, people: list[User], value: float, position: int, days_ago: float
) -> None:
    limit(train, 0.1)
    log_test(train, value, position=position, days_ago=days_ago)
    assert "test" not in open_alarms(people[0])


def test_a_test_below_what_the_kit_shows_alarms_nobody(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    stage = train.stages.get(position=3)
    acts.log(
        OutletTest(train=train, stage=stage, value_mg_l=0.5, below=True, at=timezone.now()), by=None
    )
    assert "test" not in open_alarms(people[0])


def test_a_second_test_of_the_day_is_not_told_again(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    noon = timezone.now()
    log_test(train, 0.4, days_ago=0.0)
    log_test(train, 0.5, days_ago=0.0)
    delivery.deliver()
    assert len(sent()) == 3, noon


def test_a_newer_test_below_the_limit_ends_it(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    log_test(train, 0.4, days_ago=0.02)
    assert "test" in open_alarms(people[0])
    log_test(train, 0.02, days_ago=0.0)
    assert "test" not in open_alarms(people[0])


def test_undoing_the_test_ends_it(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    logged = log_test(train, 0.4)
    acts.undo(logged, by=None)
    assert "test" not in open_alarms(people[0])
    acts.redo(logged, by=None)
    assert "test" in open_alarms(people[0])


def test_correcting_the_test_ends_it(train: Train, people: list[User]) -> None:
    limit(train, 0.1)
    acts.correct(log_test(train, 0.4), by=None, why="misread", value_mg_l=0.04)
    assert "test" not in open_alarms(people[0])


def test_a_new_cartridge_ends_it(train: Train, people: list[User]) -> None:
    """A test of what was fitted before says nothing of what is fitted now."""
    limit(train, 0.1)
    log_test(train, 0.4, days_ago=0.02)
    stage = train.stages.get(position=3)
    [held] = train.estimates.filter(stage=stage)
    [fresh] = acts.buy(household=train.household, spec=held.cartridge.spec)
    acts.swap(stage=stage, cartridge=fresh, at=timezone.now(), by=None)
    estimates.refresh(train)
    assert "test" not in open_alarms(people[0])


def test_who_wants_no_alarm_gets_none(train: Train, owner: User, keeper: User) -> None:
    wish(keeper, train.household, kinds=[NoticeKind.DUE])
    wish(owner, train.household, paused_until=timezone.localdate() + 3 * DAY)
    limit(train, 1e-9)
    delivery.deliver()
    assert mail.outbox == []


def test_who_takes_mail_again_hears_of_an_alarm_that_stands(train: Train, owner: User) -> None:
    wish(owner, train.household, by_email=False)
    limit(train, 1e-9)
    wish(owner, train.household, by_email=True)
    estimates.refresh(train)
    delivery.deliver()
    assert len(sent_to(owner)) == 1


def test_an_alarm_does_not_wait_for_the_hour(train: Train, owner: User) -> None:
    wish(owner, train.household, hour=NIGHT)
    limit(train, 1e-9)
    Caretaker().round()
    assert [s for s in sent_to(owner) if s.startswith("Predicted chlorine")]


def test_a_letter_of_an_alarm_has_its_own_place(train: Train, owner: User) -> None:
    limit(train, 1e-9)
    alarms.judge_estimate(train, list(train.estimates.all()), {})
    [letter] = Letter.objects.filter(person=owner)
    assert letter.urgent and letter.slot.startswith(f"alarm:predicted:train-{train.pk}:")
