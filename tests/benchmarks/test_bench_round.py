"""The daily round of many households: how long each takes, and beside the estimate alone.

``HOBBYHYDRO_BENCH_HOUSEHOLDS`` sets how many (1000 for the figure of a large installation); a few
are enough to see that the cost of each does not grow with the others.
"""

from __future__ import annotations

import datetime as dt
import os
import time
from collections.abc import Callable
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import Train
from cartridges.services import estimates
from hobbyhydro.households.models import Household, User
from schedule.models import Letter, Notice, NoticeWishes
from schedule.services import plan
from schedule.services.caretaker import Caretaker
from tests.trains import build_train

HOUSEHOLDS = int(os.environ.get("HOBBYHYDRO_BENCH_HOUSEHOLDS", "5"))
MEMBERS = 256
MOST_QUERIES = 150


def settle(count: int, *, first: int = 0) -> list[Train]:
    """So many households of one owner and one train of three stages, whose hour has always come."""
    found = []
    for k in range(first, first + count):
        owner = User.objects.create(email=f"keeper{k}@example.org", password="!")
        home = Household.found(owner=owner, name=f"House {k}")
        NoticeWishes.objects.create(membership=home.memberships.get(), hour=0)
        found.append(build_train(home, owner))
    return found


def timed(act: Callable[[], Any]) -> float:
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


@pytest.mark.benchmark(group="round")
def test_daily_round(db: None, benchmark: Any, settings: Any, capsys: Any) -> None:
    """The second day: every estimate is a day old, every plan behind, every letter due."""
    settings.MODEL_MEMBERS = MEMBERS
    trains = settle(HOUSEHOLDS)
    keeper = Caretaker()
    keeper.round()
    tomorrow = timezone.now() + dt.timedelta(days=1, minutes=5)
    with time_machine.travel(tomorrow, tick=True):
        alone = timed(lambda: [estimates.refresh(train) for train in trains])
        planned = timed(lambda: [plan.replan(train) for train in trains])
    Train.objects.update(stale=True)
    with time_machine.travel(tomorrow, tick=True):
        tally = benchmark.pedantic(keeper.round, rounds=1)
    whole = benchmark.stats.stats.mean
    assert tally.trains == HOUSEHOLDS and tally.failed == 0 and tally.letters > 0
    each = 1000.0 / HOUSEHOLDS
    with capsys.disabled():
        print(
            f"\n{HOUSEHOLDS} households, {MEMBERS} members: {whole * each:.0f} ms a household, of "
            f"which estimate {alone * each:.0f} ms and plan {planned * each:.0f} ms; the round is "
            f"{whole / alone:.1f} times the estimate, all but the plan "
            f"{(whole - planned) / alone:.2f} times"
        )


@pytest.mark.benchmark(group="round")
def test_daily_letters_alone(db: None, benchmark: Any, settings: Any, capsys: Any) -> None:
    """What is left of the round once the model has run: agenda, notices, letters, mail."""
    settings.MODEL_MEMBERS = MEMBERS
    settle(HOUSEHOLDS)
    keeper = Caretaker()
    keeper.round()
    Notice.objects.all().delete()
    Letter.objects.all().delete()
    NoticeWishes.objects.update(looked_on=None)
    benchmark.pedantic(keeper.round, rounds=1)
    each = benchmark.stats.stats.mean * 1000.0 / HOUSEHOLDS
    assert Letter.objects.exists()
    with capsys.disabled():
        print(f"\nletters alone: {each:.1f} ms a household")


@pytest.mark.benchmark(group="round")
def test_queries_of_each_household_are_constant(db: None, benchmark: Any, settings: Any) -> None:
    """The third household costs as many queries as the second: none looks at the others."""
    settings.MODEL_MEMBERS = MEMBERS
    counts = []
    for k in range(3):
        settle(1, first=k)
        Caretaker().round()  # what comes only once, such as the starting chores
        Notice.objects.all().delete()
        Letter.objects.all().delete()
        NoticeWishes.objects.update(looked_on=None)
        Train.objects.update(stale=True)
        with CaptureQueriesContext(connection) as queries:
            Caretaker().round()
        counts.append(len(queries))
    benchmark.pedantic(lambda: Caretaker().round(), rounds=1)
    assert Letter.objects.count() == 3
    assert counts[2] - counts[1] == counts[1] - counts[0] > 0, counts
    assert counts[1] - counts[0] <= MOST_QUERIES, counts
