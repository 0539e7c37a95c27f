"""What people do with chores and their turns. Of two who do the same, the second is told."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from cartridges.models import Fact, Shutoff, Train
from cartridges.services import acts
from hobbyhydro.households.models import User
from schedule.models import Chore, ChoreTurn

from . import chores
from .chore_days import day_in

State = ChoreTurn.State
PAUSED = "The chore was paused"
SAME_FACT = {"rotation": "swap", "turn-on": "shut-off"}
"""Log forms whose entries are kept as another kind of fact."""


class TurnError(ValueError):
    """What cannot be done with a turn, in words for the person who tried."""


@transaction.atomic
def done(turn: ChoreTurn, *, by: User | None, at: dt.datetime | None = None) -> ChoreTurn:
    """Say that it was done, now or at ``at``."""
    return _close(turn, State.DONE, by=by, at=at or timezone.now(), reason="")


@transaction.atomic
def skip(turn: ChoreTurn, *, by: User | None, reason: str) -> ChoreTurn:
    """Leave it out this time."""
    return _close(turn, State.SKIPPED, by=by, at=timezone.now(), reason=reason)


@transaction.atomic
def put_off(turn: ChoreTurn, *, to: dt.date, by: User | None, reason: str) -> ChoreTurn:
    """Do it on another day; it stays open."""
    held = _hold(turn)
    held.put_off_to, held.state_by, held.reason = to, by, reason
    held.save(update_fields=["put_off_to", "state_by", "reason"])
    return held


@transaction.atomic
def reopen(turn: ChoreTurn) -> ChoreTurn:
    """Take done or skipped back. The turn that came after it makes way."""
    held = ChoreTurn.objects.select_for_update(of=("self",)).get(pk=turn.pk)
    if held.state == State.OPEN:
        raise TurnError("This is still to do already.")
    held.chore.turns.filter(state=State.OPEN).delete()
    held.state, held.state_at, held.state_by = State.OPEN, None, None
    held.reason, held.fact, held.put_off_to = "", "", None
    held.save(update_fields=["state", "state_at", "state_by", "reason", "fact", "put_off_to"])
    return held


def closed_words(turn: ChoreTurn) -> str:
    """“Already done by Kasimir, 3 Mar 2026 at 10:42.”"""
    moment = timezone.localtime(turn.state_at)
    who = f" by {turn.state_by}" if turn.state_by else ""
    word = "done" if turn.state == State.DONE else "skipped"
    why = f" ({turn.reason})" if turn.reason else ""
    return f"{turn.chore}: already {word}{who}, {moment:%-d %b %Y at %H:%M}{why}."


def _hold(turn: ChoreTurn) -> ChoreTurn:
    """The turn, held until the end of the transaction; TurnError where somebody closed it."""
    rows = ChoreTurn.objects.select_for_update(of=("self",)).select_related(
        "chore__household", "state_by"
    )
    held = rows.get(pk=turn.pk)
    if held.state != State.OPEN:
        raise TurnError(closed_words(held))
    return held


def _close(
    turn: ChoreTurn, state: str, *, by: User | None, at: dt.datetime, reason: str, fact: str = ""
) -> ChoreTurn:
    held = _hold(turn)
    held.state, held.state_at, held.state_by = state, at, by
    held.reason, held.fact = reason, fact
    held.save(update_fields=["state", "state_at", "state_by", "reason", "fact"])
    return held


@transaction.atomic
def pause(chore: Chore) -> None:
    """No turns until it is resumed."""
    chore.paused = True
    chore.save(update_fields=["paused"])


@transaction.atomic
def resume(chore: Chore, *, by: User | None, today: dt.date) -> None:
    """Turns again from today; what the pause left out is written down as skipped, once."""
    held = Chore.objects.select_for_update().get(pk=chore.pk)
    if not held.paused:
        return
    held.paused = False
    held.save(update_fields=["paused"])
    turn = chores.open_turn(held, today=today)
    if turn is not None and turn.now_due_on < today:
        _close(turn, State.SKIPPED, by=by, at=timezone.now(), reason=PAUSED)


def remove(chore: Chore) -> None:
    """It has no more turns; its history stays."""
    chore.removed_at = timezone.now()
    chore.save(update_fields=["removed_at"])


@transaction.atomic
def bring_back(chore: Chore, *, by: User | None, today: dt.date) -> None:
    """Have a removed chore again, from today."""
    chore.removed_at, chore.paused = None, True
    chore.save(update_fields=["removed_at", "paused"])
    resume(chore, by=by, today=today)


# What the log does to turns


def follow(fact: Fact) -> None:
    """Let a log entry that was written, corrected, undone or redone complete or open turns.

    An entry completes the open turn of each chore of its train that is logged in this way and was
    due by the entry's day. A swap besides opens the turns of the chores that come with a swap.
    """
    trains = acts.trains_of(fact)
    kinds = [fact.KIND, *(k for k, kept in SAME_FACT.items() if kept == fact.KIND)]
    matching = Chore.objects.filter(train__in=trains, log_kind__in=kinds)
    logged = matching.filter(removed_at__isnull=True, paused=False).exists()
    if not (logged or fact.KIND == "swap"):
        return
    for household in {train.household for train in trains}:
        chores.settle(household, today=day_in(household, timezone.now()), starters=False)
    kept = type(fact).rows().select_related("logged_by", "replaces").get(pk=fact.pk)
    _take_over(kept, trains)
    if kept.stands:
        _complete(kept, trains, kinds)
    else:
        for turn in ChoreTurn.objects.filter(fact=_key(kept)):
            _reconsider(turn, kept, trains)


def _key(fact: Fact) -> str:
    return f"{fact.KIND}/{fact.pk}"


def _take_over(fact: Fact, trains: list[Train]) -> None:
    """A correction stands for what it replaced."""
    if not fact.stands or fact.replaces is None:
        return
    turns = ChoreTurn.objects.filter(fact=_key(fact.replaces)).select_related("chore__household")
    for turn in turns:
        if turn.due_on > day_in(turn.chore.household, fact.at):
            _reconsider(turn, fact, trains)
        else:
            turn.fact, turn.state_at = _key(fact), fact.at
            turn.save(update_fields=["fact", "state_at"])


def _complete(fact: Fact, trains: list[Train], kinds: list[str]) -> None:
    turns = ChoreTurn.objects.filter(
        state=State.OPEN,
        chore__train__in=trains,
        chore__log_kind__in=kinds,
        chore__removed_at__isnull=True,
        chore__paused=False,
    ).select_related("chore__household")
    for turn in turns:
        at = _moment(fact, turn.chore.log_kind)
        if at is not None and turn.due_on <= day_in(turn.chore.household, at):
            with suppress(TurnError):  # somebody closed it a moment ago, which is as good
                _close(turn, State.DONE, by=fact.logged_by, at=at, reason="", fact=_key(fact))


def _moment(fact: Fact, log_kind: str) -> dt.datetime | None:
    """When what was logged happened: the turning on is the end of a shut-off."""
    if isinstance(fact, Shutoff) and log_kind == "turn-on":
        return fact.until
    return fact.at


def _reconsider(turn: ChoreTurn, fact: Fact, trains: list[Train]) -> None:
    """The entry is gone: the turn is open again, unless another entry completes it as well."""
    reopened = reopen(turn)
    household = reopened.chore.household
    start = dt.datetime.combine(reopened.due_on, dt.time(), tzinfo=household.zone)
    about = Q(train__in=trains) if hasattr(fact, "train_id") else Q(source__trains__in=trains)
    others = type(fact).rows().standing().filter(about, at__gte=start).in_order()
    other = others.select_related("logged_by").first()
    if other is not None:
        _close(reopened, State.DONE, by=other.logged_by, at=other.at, reason="", fact=_key(other))
