"""The renewals that the model asks of a train, worked out once for each calculation and kept."""

from __future__ import annotations

import logging
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from django.conf import settings

from cartridges.models import Cause, Estimate, Train
from cartridges.physics.label import LabelError
from cartridges.physics.plan import POLICIES, Renewal, Renewals, simulate_renewals
from cartridges.services.timeline import NotEnough, Timeline, day_of

PLAN_DAYS = 730
"""Twenty-four months."""
MOST_MEMBERS = 1024
"""More would cost seconds; what they would change, `agreed` takes from the estimate."""
SAMPLING_SHARE = 0.15
SAMPLING_DAYS = 2.0
"""How far the planned days of two ensembles may lie apart by chance alone: a share of the days
ahead, about three of their joint standard errors (see `physics.plan`), and two days at least."""
MOST_REPEATS = 60
logger = logging.getLogger(__name__)


def simulate(train: Train, known: dict[str, Any]) -> dict[str, Any]:
    """The renewals under both policies, or ``problem`` in words.

    ``known`` is what a former call gave; it is given back while the train's estimates are the same.
    """
    if not train.fingerprint or train.estimated_at is None:
        problem = str((train.summary or {}).get("problem") or "No estimate has been made yet.")
        return {"fingerprint": "", "problem": problem, "renewals": {}}
    if known.get("fingerprint") == train.fingerprint:
        return known
    line = Timeline(train, train.estimated_at)
    rows = {str(row.cartridge_id): row for row in train.estimates.defer("details")}
    members = min(settings.MODEL_MEMBERS, MOST_MEMBERS)
    try:
        runs = {}
        for policy in POLICIES:
            run = simulate_renewals(
                line.inputs,
                now_day=line.now_day,
                policy=policy,
                horizon_days=PLAN_DAYS,
                members=members,
            )
            runs[policy] = _kept_run(agreed(run, rows, now_day=line.now_day))
    except (NotEnough, LabelError) as missing:
        return {"fingerprint": train.fingerprint, "problem": str(missing), "renewals": {}}
    except ValueError as contradiction:
        logger.exception("%s cannot be planned", train)
        words = f"The plan cannot be made: {contradiction}."
        return {"fingerprint": train.fingerprint, "problem": words, "renewals": {}}
    return {
        "fingerprint": train.fingerprint,
        "problem": "",
        "stages": [stage.pk for stage in line.stages],
        "renewals": runs,
    }


def agreed(found: Renewals, rows: dict[str, Estimate], *, now_day: float) -> Renewals:
    """The renewals, each rule's first of them on the very day that the estimate plans it for.

    The plan runs fewer members than the estimate, so that the two differ by a few hundredths of the
    days ahead. Where the first renewal of a group is due by what the members differ in, and the
    planned day of what it takes out lies as near as that, the whole group moves by the difference:
    the screens then name one day. Age is the same for all members and stays as it is. ``rows`` are
    the estimates by cartridge; of several cartridges that go together, the last one's counts.
    """
    shift: dict[int, float] = {}
    for one in sorted(found.renewals, key=lambda r: (r.day, -r.stage)):
        if one.group in shift:
            continue
        row = rows.get(one.replaced)
        shift[one.group] = 0.0
        if row is None or row.planned_at is None or one.cause == Cause.CALENDAR:
            continue
        days = day_of(row.planned_at) - one.day
        if abs(days) <= max(SAMPLING_DAYS, SAMPLING_SHARE * (one.day - now_day)):
            shift[one.group] = days
    moved = [replace(r, day=max(r.day + shift[r.group], now_day)) for r in found.renewals]
    return replace(found, renewals=tuple(sorted(moved, key=lambda r: (r.day, r.stage))))


def _kept_run(found: Renewals) -> dict[str, Any]:
    return {
        "renewals": [asdict(one) | {"life_days": _finite(one.life_days)} for one in found.renewals],
        "litres": found.litres,
        "unheld": [list(period) for period in found.unheld],
        "until_day": found.until_day,
    }


def renewals_of(run: dict[str, Any]) -> list[Renewal]:
    """The renewals that were kept."""
    return [
        Renewal(**one | {"life_days": math.inf if one["life_days"] is None else one["life_days"]})
        for one in run["renewals"]
    ]


def repeated(renewals: Sequence[Renewal], *, from_day: float) -> list[Renewal]:
    """What comes after the last known round of each group, from ``from_day`` on: that round again.

    A swap that is brought forward brings those after it forward too, and one from beyond the end of
    the plan may then fall within it. The round repeats after as many days as it came after the one
    before it, or where it is the only one after the shortest life in it; it does so for as long as
    the plan is, at most `MOST_REPEATS` times.
    """
    rounds: dict[int, dict[float, list[Renewal]]] = defaultdict(lambda: defaultdict(list))
    for one in renewals:
        rounds[one.group][one.day].append(one)
    found = []
    for by_day in rounds.values():
        *before, last = sorted(by_day)
        days = last - before[-1] if before else min(one.life_days for one in by_day[last])
        if not 1.0 <= days < math.inf:
            continue
        day = max(last + days, from_day)
        for _ in range(MOST_REPEATS):
            if day >= from_day + PLAN_DAYS:
                break
            found += [replace(one, day=day, replaced="") for one in by_day[last]]
            day += days
    return found


def _finite(value: float) -> float | None:
    """JSON has no infinity."""
    return value if math.isfinite(value) else None
