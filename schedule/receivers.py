"""What the schedule does inside the transactions of others. Connected in ``apps.py``."""

from __future__ import annotations

from typing import Any

from cartridges.models import Estimate, Fact, OutletTest, Train
from cartridges.signals import estimated, logged

from .services import alarms, chore_acts, plan


def connect() -> None:
    """Listen from now on."""
    logged.connect(follow_the_log, dispatch_uid="chores follow the log")
    logged.connect(alarm_by_test, dispatch_uid="alarms by test")
    estimated.connect(plan_is_behind, dispatch_uid="plan is behind")
    estimated.connect(alarm_by_estimate, dispatch_uid="alarms by estimate")


def follow_the_log(*, fact: Fact, **kwargs: Any) -> None:
    """Logging what a chore asks for is doing it."""
    chore_acts.follow(fact)


def plan_is_behind(*, train: Train, **kwargs: Any) -> None:
    """A train that was calculated anew has a plan that no longer fits it."""
    plan.mark_stale(train)


def alarm_by_estimate(
    *, train: Train, estimates: list[Estimate], summary: dict[str, Any], **kwargs: Any
) -> None:
    """A predicted outlet that passes the limit is said at once."""
    alarms.judge_estimate(train, estimates, summary)


def alarm_by_test(*, fact: Fact, **kwargs: Any) -> None:
    """So is a test that does; undoing or correcting it may end the alarm."""
    if isinstance(fact, OutletTest):
        rows = Estimate.objects.filter(train=fact.train).select_related("stage")
        alarms.judge_tests(fact.train, rows)
