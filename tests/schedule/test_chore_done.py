"""Done, skipped, put off, taken back: one turn of a chore, and two people at it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, User
from schedule.models import Chore, ChoreTurn
from schedule.services import chore_acts, chores
from schedule.services.chore_acts import TurnError

DAY = dt.timedelta(days=1)
State = ChoreTurn.State
ACTS = ("done", "skip", "put-off", "reopen")


@pytest.fixture
def turn(train: Train, household: Household) -> ChoreTurn:
    """A chore due today."""
    chore = Chore.objects.create(
        household=household, title="Rinse the screen", rule="FREQ=WEEKLY", start=today()
    )
    chores.due(household, today=today(), days_ahead=0)
    return chore.turns.get()


def today() -> dt.date:
    return timezone.localdate()


def address(turn: ChoreTurn, act: str) -> str:
    return reverse(f"chore-{act}", args=[turn.pk])


def said(client: Client, turn: ChoreTurn, act: str, **sent: str) -> str:
    """The page that follows."""
    answer = client.post(address(turn, act), sent, follow=True)
    assert answer.status_code == 200
    return answer.content.decode()


def test_done_works(as_keeper: Client, keeper: User, turn: ChoreTurn) -> None:
    assert "Done: Rinse the screen." in said(as_keeper, turn, "done")
    turn.refresh_from_db()
    assert (turn.state, turn.state_by) == (State.DONE, keeper)
    assert turn.state_at is not None


def test_skip_works(as_keeper: Client, keeper: User, turn: ChoreTurn) -> None:
    page = said(as_keeper, turn, "skip", reason="away this week")
    assert "Skipped this time" in page and "away this week" in page
    turn.refresh_from_db()
    assert (turn.state, turn.state_by, turn.reason) == (State.SKIPPED, keeper, "away this week")


def test_put_off_works(as_keeper: Client, keeper: User, turn: ChoreTurn) -> None:
    later = today() + 3 * DAY
    page = said(as_keeper, turn, "put-off", to=later.isoformat(), reason="waiting for the kit")
    assert "Put off to" in page and "waiting for the kit" in page and "by Kasimir" in page
    turn.refresh_from_db()
    assert (turn.state, turn.put_off_to, turn.state_at) == (State.OPEN, later, None)


def test_reopen_works(as_keeper: Client, turn: ChoreTurn) -> None:
    said(as_keeper, turn, "done")
    chores.due(turn.chore.household, today=today(), days_ahead=30)  # the next one is made
    assert "To do again" in said(as_keeper, turn, "reopen")
    kept = turn.chore.turns.get()
    assert (kept.pk, kept.state, kept.state_at, kept.state_by) == (turn.pk, State.OPEN, None, None)


@pytest.mark.parametrize("act", ACTS)
def test_needs_keeper(as_viewer: Client, turn: ChoreTurn, act: str) -> None:
    assert as_viewer.post(address(turn, act), {"reason": "x"}).status_code == 403
    turn.refresh_from_db()
    assert turn.state == State.OPEN


@pytest.mark.parametrize("act", ACTS)
def test_hides_from_strangers(as_stranger: Client, turn: ChoreTurn, act: str) -> None:
    assert as_stranger.post(address(turn, act), {"reason": "x"}).status_code == 404


@pytest.mark.parametrize("act", ACTS)
def test_rejects_get(as_keeper: Client, turn: ChoreTurn, act: str) -> None:
    assert as_keeper.get(address(turn, act)).status_code == 405
    turn.refresh_from_db()
    assert turn.state == State.OPEN


@pytest.mark.parametrize("act", ["skip", "put-off"])
def test_asks_for_the_reason(as_keeper: Client, turn: ChoreTurn, act: str) -> None:
    page = said(as_keeper, turn, act, to=(today() + DAY).isoformat(), reason="  ")
    assert "This field is required." in page
    turn.refresh_from_db()
    assert (turn.state, turn.put_off_to) == (State.OPEN, None)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "This field is required."),
        ("soon", "This is not a date."),
        ("2026-02-30", "This is not a date."),
        ("0", "This is not a date."),
        ("1999-01-01", "still to come"),
        ("9999-12-31", "A year is the longest"),
    ],
)
def test_put_off_keeps_what_was_typed(
    as_keeper: Client, turn: ChoreTurn, typed: str, says: str
) -> None:
    page = said(as_keeper, turn, "put-off", to=typed, reason="<the> kit & more")
    assert says in page
    assert "&lt;the&gt; kit &amp; more" in page and "<the>" not in page
    turn.refresh_from_db()
    assert turn.put_off_to is None


def test_put_off_to_today_is_no_putting_off(as_keeper: Client, turn: ChoreTurn) -> None:
    assert "still to come" in said(as_keeper, turn, "put-off", to=today().isoformat(), reason="x")


def test_a_reason_that_is_too_long_is_refused(as_keeper: Client, turn: ChoreTurn) -> None:
    assert "at most 200 characters" in said(as_keeper, turn, "skip", reason="x" * 201)


@pytest.mark.parametrize("second", ["done", "skip", "put-off"])
def test_the_second_of_two_is_told_who_did_it(
    as_keeper: Client, as_owner: Client, keeper: User, turn: ChoreTurn, second: str
) -> None:
    said(as_keeper, turn, "done")
    page = said(as_owner, turn, second, to=(today() + DAY).isoformat(), reason="x")
    assert "Rinse the screen: already done by Kasimir" in page
    turn.refresh_from_db()
    assert (turn.state, turn.state_by, turn.reason) == (State.DONE, keeper, "")


def test_a_page_from_before_cannot_close_a_turn_again(
    turn: ChoreTurn, keeper: User, owner: User
) -> None:
    seen_by_another = ChoreTurn.objects.get(pk=turn.pk)  # open, as far as that page knows
    chore_acts.skip(turn, by=owner, reason="no water")
    with pytest.raises(TurnError, match="already skipped by Odile.*no water"):
        chore_acts.done(seen_by_another, by=keeper)
    turn.refresh_from_db()
    assert (turn.state, turn.state_by) == (State.SKIPPED, owner)


def test_reopening_what_is_open_says_so(as_keeper: Client, turn: ChoreTurn) -> None:
    assert "still to do already" in said(as_keeper, turn, "reopen")
