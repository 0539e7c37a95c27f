"""The round that keeps estimates, plans, chores and mail up to date.

Several rounds at once, or one that is killed at any moment, do no harm, so that nothing locks the
others out: an estimate is written whole and replaces the one before; a plan likewise; a turn, a
notice and a letter are unique in the database and made in one transaction with the mark that the
day is settled; a letter is sent under a lease. What a killed round left undone the next one does.

A household whose round fails is written into the log and left for a while; the others go on.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from django.db.models import Q
from django.utils import timezone

from cartridges.models import Train
from cartridges.services import estimates
from hobbyhydro.households.models import Household, Membership

from . import delivery, plan
from .letters import settle_day, to_settle

logger = logging.getLogger(__name__)

AGAIN_AFTER = dt.timedelta(hours=1)
"""How long a household or train that failed is left alone."""


@dataclass(slots=True)
class Tally:
    """What one round did."""

    trains: int = 0
    letters: int = 0
    accepted: int = 0
    later: int = 0
    never: int = 0
    failed: int = 0

    def __str__(self) -> str:
        return (
            f"{self.trains} trains calculated, {self.letters} letters written, {self.accepted} "
            f"sent, {self.later} put off, {self.never} refused, {self.failed} failures"
        )


@dataclass(slots=True)
class Caretaker:
    """Goes the rounds until told to stop, which it heeds between any two steps."""

    stop: Callable[[], bool] = lambda: False
    _resting: dict[tuple[str, int], dt.datetime] = field(default_factory=dict)

    def round(self) -> Tally:
        """Once through everything that is due now."""
        tally = Tally()
        self._estimate(tally)
        self._settle_days(tally)
        sent = delivery.deliver(stop=self.stop)
        tally.accepted, tally.later, tally.never = sent["accepted"], sent["later"], sent["never"]
        return tally

    def _estimate(self, tally: Tally) -> None:
        """Trains whose facts changed, or whose estimate is a day old, and then their plans."""
        old = timezone.now() - estimates.FRESH_FOR
        waiting = Q(stale=True) | Q(estimated_at=None) | Q(estimated_at__lt=old)
        rows = Train.objects.filter(waiting, set_up_at__isnull=False)
        for pk in list(rows.order_by("estimated_at", "pk").values_list("pk", flat=True)):
            if self.stop():
                return
            if self._try(tally, "train", pk, _calculate):
                tally.trains += 1

    def _settle_days(self, tally: Tally) -> None:
        """The day's letters of each household in which somebody's hour has come."""
        now = timezone.now()
        places: dict[int, list[Membership]] = defaultdict(list)
        rows = Membership.objects.select_related("household", "person", "wishes")
        for place in rows.order_by("household", "since", "pk"):
            places[place.household_id].append(place)
        for pk, those in places.items():
            if self.stop():
                return
            if to_settle(those, now=now):
                # What cannot be planned must not keep a household from hearing of the rest.
                self._try(tally, "plan of household", pk, _plan)
                self._try(tally, "letters of household", pk, _letters, tally)

    def _try(
        self, tally: Tally, what: str, pk: int, act: Callable[..., None], *more: Tally
    ) -> bool:
        """Do one step; a failure is logged and rests for a while. Whether it was done."""
        now = timezone.now()
        until = self._resting.get((what, pk))
        if until is not None and now < until <= now + AGAIN_AFTER:
            return False
        try:
            act(pk, *more)
        except Exception:
            logger.exception("The round failed at %s %s; the others go on", what, pk)
            self._resting[what, pk] = now + AGAIN_AFTER
            tally.failed += 1
            return False
        self._resting.pop((what, pk), None)
        return True


def _calculate(pk: int) -> None:
    train = Train.objects.select_related("household", "source").get(pk=pk)
    if estimates.needs_refresh(train):
        estimates.refresh(train)
    plan.ensure(train)


def _plan(pk: int) -> None:
    household = Household.objects.get(pk=pk)
    with timezone.override(household.zone):
        plan.ensure_all(household)


def _letters(pk: int, tally: Tally) -> None:
    household = Household.objects.get(pk=pk)
    with timezone.override(household.zone):
        tally.letters += len(settle_day(household, now=timezone.now()))
