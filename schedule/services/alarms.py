"""Chlorine above the limit, said at once: written in the transaction of what caused it.

A predicted outlet alarms once, and again only after it had come below the limit; a test alarms at
most once a day and stage. Only the water behind the last carbon counts: between the carbon stages
chlorine is nothing out of the ordinary.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

from django.urls import reverse
from django.utils import timezone

from cartridges.models import Estimate, OutletTest, Train
from cartridges.services.overview import RECENT_TESTS
from hobbyhydro.households.units import in_words
from schedule.models import Letter, Notice, NoticeKind

from .letters import message_id
from .wishes import kinds_of, listeners, wishes_of


def judge_estimate(train: Train, estimates: Sequence[Estimate], summary: dict[str, Any]) -> None:
    """After a calculation: raise or end the alarms of this train."""
    rows = sorted(estimates, key=lambda e: e.stage.position)
    known = [e for e in rows if e.outlet_total_p50_mg_l is not None]
    name = f"alarm:predicted:train-{train.pk}"
    last = known[-1] if known and not summary.get("shut_off") else None
    if last is not None and (last.outlet_total_p50_mg_l or 0.0) > train.limit_mg_l:
        predicted = in_words(last.outlet_total_p50_mg_l, quantity="chlorine", units="metric")
        _raise(
            train,
            name,
            since=_today(train),
            once=True,
            title=f"Predicted chlorine above your limit: {train}",
            why=f"{predicted} of total chlorine is predicted after stage {last.stage.position}; "
            f"your limit is {_limit(train)}. Test the water now, behind the last carbon",
            path=reverse("log-fact", args=[train.pk, "outlet-test"]),
        )
    else:
        _end(train, name)
    judge_tests(train, rows)


def judge_tests(train: Train, estimates: Iterable[Estimate]) -> None:
    """Raise or end the alarm of the newest test behind the last carbon."""
    test = _test_above(train, {e.stage_id: e for e in estimates})
    name = f"alarm:test:train-{train.pk}"
    if test is None:
        _end(train, name)
        return
    found = in_words(test.value_mg_l, quantity="chlorine", units="metric")
    _raise(
        train,
        name,
        since=timezone.localtime(test.at, train.household.zone).date(),
        title=f"A test found chlorine above your limit: {train}",
        why=f"{found} of {test.get_species_display().lower()} was found after stage "
        f"{test.stage.position}; your limit is {_limit(train)}. Keep this water from the animals "
        "until a second test reads below it",
        path=reverse("train", args=[train.pk]),
    )


def _test_above(train: Train, at_work: dict[int, Estimate]) -> OutletTest | None:
    """The newest test behind the last carbon, of what is fitted now, where it exceeds the limit."""
    now = timezone.now()
    stages = [e.stage for e in at_work.values()]
    carbon = [s.position for s in stages if s.is_carbon] or [s.position for s in stages]
    if not carbon:
        return None
    tests = OutletTest.objects.standing().filter(
        train=train,
        stage__retired_at__isnull=True,
        stage__position__gte=max(carbon),
        at__gte=now - RECENT_TESTS,
        at__lte=now,
    )
    newest: OutletTest | None = tests.select_related("stage").in_order().last()
    if newest is None or newest.below or newest.value_mg_l <= train.limit_mg_l:
        return None
    estimate = at_work.get(newest.stage_id)
    return None if estimate is not None and newest.at < estimate.fitted_at else newest


def _raise(
    train: Train, thing: str, *, since: dt.date, title: str, why: str, path: str, once: bool = False
) -> None:
    """Tell everybody who takes alarms, each in a letter of its own, what they were not told yet.

    ``once``: an alarm that stands is not raised again, however long it stands.
    """
    household, today = train.household, _today(train)
    told = {n.person_id: n for n in _open(train, thing)}
    if once:
        since = min((n.due_on for n in told.values()), default=since)
    for place in listeners(household, today=today):
        if NoticeKind.ALARM not in kinds_of(wishes_of(place)):
            continue
        before = told.get(place.person_id)
        if before is not None and before.due_on != since:
            _lapse(before)
        letter, _ = Letter.objects.get_or_create(
            person=place.person,
            household=household,
            slot=f"{thing}:{since}",
            defaults={"on": today, "urgent": True, "message_id": message_id()},
        )
        if letter.state == Letter.State.LAPSED:  # ended or paused before it was sent
            letter.state, letter.send_after = Letter.State.WAITING, timezone.now()
            letter.save(update_fields=["state", "send_after"])
        Notice.objects.update_or_create(
            person=place.person,
            household=household,
            thing=thing,
            due_on=since,
            kind=NoticeKind.ALARM,
            defaults={
                "train": train,
                "letter": letter,
                "lapsed_at": None,
                "says": {"title": title, "why": why, "path": path},
            },
        )


def _end(train: Train, thing: str) -> None:
    for notice in _open(train, thing):
        _lapse(notice)


def _open(train: Train, thing: str) -> list[Notice]:
    rows = Notice.objects.filter(household_id=train.household_id, thing=thing, lapsed_at=None)
    return list(rows.filter(kind=NoticeKind.ALARM))


def _lapse(notice: Notice) -> None:
    notice.lapsed_at = timezone.now()
    notice.save(update_fields=["lapsed_at"])


def _today(train: Train) -> dt.date:
    return timezone.localdate(timezone=train.household.zone)


def _limit(train: Train) -> str:
    return in_words(train.limit_mg_l, quantity="chlorine", units="metric")
