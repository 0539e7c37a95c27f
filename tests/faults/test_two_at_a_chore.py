"""Two people at one turn of a chore at the same moment: it is done once, and the second is told."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from cartridges.models import OutletTest, Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, Membership, User
from schedule.models import Chore, ChoreTurn
from schedule.services import chore_acts, chores, feed_address
from schedule.services.chore_acts import TurnError
from tests.trains import build_train

from .test_two_people import at_once, hold_up

pytestmark = [pytest.mark.django_db(transaction=True)]


@pytest.fixture
def home(shared_database: Any) -> Household:
    """A household of two, on a database that threads share."""
    owner = User.objects.create_user("owner@example.org", "a drip a second", name="Odile")
    keeper = User.objects.create_user("keeper@example.org", "a drip a second", name="Kasimir")
    found = Household.found(owner=owner, name="Fern Street")
    found.memberships.create(person=keeper, role=Membership.Role.KEEPER)
    return found


def due_chore(home: Household, **fields: Any) -> Chore:
    return Chore.objects.create(
        household=home, title="Rinse", rule="FREQ=DAILY", start=timezone.localdate(), **fields
    )


def look(home: Household) -> list[ChoreTurn]:
    return chores.due(home, today=timezone.localdate(), days_ahead=0)


def test_the_turn_is_done_by_one_of_them(home: Household, monkeypatch: pytest.MonkeyPatch) -> None:
    due_chore(home)
    [turn] = look(home)
    people = list(home.people.order_by("name"))
    hold_up(monkeypatch, chore_acts, "_hold")
    found = at_once(*(lambda who=who: chore_acts.done(turn, by=who) for who in people))
    [told] = [answer for answer in found if isinstance(answer, TurnError)]
    [closed] = [answer for answer in found if isinstance(answer, ChoreTurn)]
    kept = ChoreTurn.objects.get()
    assert kept.state == ChoreTurn.State.DONE and kept.state_by == closed.state_by
    assert f"already done by {closed.state_by}" in str(told)


def test_looking_at_once_makes_each_turn_once(home: Household) -> None:
    chore = due_chore(home)
    found = at_once(*(lambda: look(home) for _ in range(4)))
    assert [[t.pk for t in turns] for turns in found] == [[chore.turns.get().pk]] * 4


def test_looking_at_once_makes_the_starters_once(home: Household) -> None:
    train = build_train(home, home.people.get(name="Odile"), readings=1)
    found = at_once(*(lambda: look(home) for _ in range(4)))
    assert found == [[]] * 4
    keys = list(train.chores.values_list("starter_key", flat=True))
    assert len(keys) == len(set(keys)) > 5


def test_done_by_hand_and_by_the_log_at_once_is_done_once(
    home: Household, monkeypatch: pytest.MonkeyPatch
) -> None:
    odile, kasimir = home.people.get(name="Odile"), home.people.get(name="Kasimir")
    train = build_train(home, odile, readings=1)
    chore = due_chore(home, train=train, log_kind="outlet-test")
    look(home)
    turn, stage = chore.turns.get(), train.stages.get(position=2)

    def by_the_log() -> OutletTest:
        seen = Train.objects.get(pk=train.pk)
        test = OutletTest(train=seen, stage=stage, value_mg_l=0.1, at=timezone.now())
        return acts.log(test, by=kasimir)

    hold_up(monkeypatch, chore_acts, "_hold")
    found = at_once(by_the_log, lambda: chore_acts.done(turn, by=odile))
    assert isinstance(found[0], OutletTest)  # whoever came first, the test is written down
    kept = chore.turns.get(pk=turn.pk)  # the next day's may have been made by now
    assert kept.state == ChoreTurn.State.DONE
    assert kept.state_by == (kasimir if isinstance(found[1], TurnError) else odile)


def test_two_new_addresses_at_once_leave_one_that_works(home: Household) -> None:
    place = home.memberships.get(person__name="Odile")
    secrets = at_once(*(lambda: feed_address.rotate(place) for _ in range(2)))
    assert [isinstance(secret, str) for secret in secrets] == [True, True]
    assert sum(feed_address.find(secret) is not None for secret in secrets) == 1
    assert place.feeds.count() == 2
