"""What the home page and a train's own page read: a fixed number of queries, whatever is kept."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import F
from django.utils import timezone

from cartridges.models import (
    Estimate,
    OutletTest,
    RestrictorFitting,
    Shutoff,
    Stage,
    Train,
)

RECENT_TESTS = dt.timedelta(days=14)


@dataclass(frozen=True, slots=True)
class StageNow:
    """One stage of today: what was found for the cartridge in it, and the recent test of the
    water behind it that says most (see `most_telling`).

    ``by_cause`` holds, for each cause on its own, the dates in ISO form. ``recent`` are all tests
    of the last fortnight, of whatever cartridge, the newest last.
    """

    stage: Stage
    estimate: Estimate | None
    test: OutletTest | None
    by_cause: dict[str, list[str | None]]
    recent: tuple[OutletTest, ...] = ()

    @property
    def name(self) -> str:
        """“carbon block”: what the stage is there to do, in the middle of a sentence."""
        return self.stage.get_kind_display().lower()

    def holds(self, limit_mg_l: float) -> bool:
        """Whether a new cartridge here would keep the water below the limit (where known)."""
        fresh = self.estimate.fresh_outlet_mg_l if self.estimate else None
        return fresh is None or fresh <= limit_mg_l


@dataclass(frozen=True, slots=True)
class TrainNow:
    """A train as it stands: its stages in the order of the water, restrictor and shut-off."""

    train: Train
    stages: tuple[StageNow, ...]
    restrictor: RestrictorFitting | None
    shut: Shutoff | None

    @property
    def summary(self) -> dict[str, Any]:
        found: dict[str, Any] = self.train.summary or {}
        return found

    @property
    def problem(self) -> str:
        """What is missing for an estimate, in words; empty where nothing is."""
        said = str(self.summary.get("problem") or "")
        if said or any(s.estimate for s in self.stages):
            return said
        if not self.stages:
            return "This train has no stage yet."
        return "" if self.train.stale else "No stage of this train holds a cartridge yet."

    @property
    def flow_l_day(self) -> float | None:
        flow = self.summary.get("flow_l_day")
        return None if flow is None else float(flow)

    @property
    def carbon(self) -> tuple[StageNow, ...]:
        return tuple(s for s in self.stages if s.stage.is_carbon)

    @property
    def last(self) -> StageNow | None:
        """The last stage that holds a cartridge with a predicted outlet."""
        known = [s for s in self.stages if s.estimate and outlet_known(s.estimate)]
        return known[-1] if known else None

    @property
    def disinfectant(self) -> str:
        """“chloramine” or “chlorine”, by what makes up most of the tap water's total now."""
        free, total = self.summary.get("inlet_free_mg_l"), self.summary.get("inlet_total_mg_l")
        if free is not None and total:
            return "chlorine" if free > total / 2 else "chloramine"
        return "chloramine" if self.train.source.disinfectant == "chloramine" else "chlorine"


def most_telling(tests: Iterable[OutletTest]) -> OutletTest | None:
    """Of tests in order of time, the one that says most of total chlorine by now.

    That is the newest, but that free chlorine is only a part of the total: a later test of it
    takes the place of one of the total only where it found more.
    """
    found: OutletTest | None = None
    for test in tests:
        kinds = (test.species, found.species if found else test.species)
        is_part = kinds == (OutletTest.Species.FREE, OutletTest.Species.TOTAL)
        if found is None or not is_part or (not test.below and test.value_mg_l > found.value_mg_l):
            found = test
    return found


def outlet_known(estimate: Estimate) -> bool:
    """Whether the water behind this cartridge has a predicted chlorine."""
    return estimate.outlet_total_p50_mg_l is not None


def look_at(trains: Sequence[Train], *, whole: bool = True) -> list[TrainNow]:
    """Everything about these trains that their pages show. Four queries.

    Without ``whole`` the estimates come without their cartridges and without their curves, which
    is all that a card needs.

    Estimates are read as they were left by the last calculation; nothing is computed here. Only
    tests of the last fortnight count as recent, and only those made of the cartridge now fitted.
    """
    now = timezone.now()
    wanted = [t.pk for t in trains]
    rows = Stage.objects.filter(train__in=wanted, retired_at__isnull=True)
    if whole:
        rows = rows.select_related("estimate__cartridge__spec")
    else:
        rows = rows.select_related("estimate").defer("estimate__details")
    stages = _by_train(
        rows.annotate(by_cause=F("estimate__details__by_cause")).order_by("train", "position")
    )
    restrictors = _by_train(
        RestrictorFitting.objects.standing().filter(train__in=wanted, at__lte=now).in_order()
    )
    shut = _by_train(
        Shutoff.objects.filter(train__in=wanted, at__lte=now, withdrawn_at__isnull=True)
        .exclude(until__lte=now)
        .order_by("at", "pk")
    )
    tests: dict[int, list[OutletTest]] = defaultdict(list)
    for test in (
        OutletTest.objects.standing()
        .filter(train__in=wanted, at__gte=now - RECENT_TESTS, at__lte=now)
        .in_order()
    ):
        tests[test.stage_id].append(test)
    return [
        TrainNow(
            train=train,
            stages=tuple(_stage_now(s, tests[s.pk]) for s in stages[train.pk]),
            restrictor=restrictors[train.pk][-1] if restrictors[train.pk] else None,
            shut=shut[train.pk][-1] if shut[train.pk] else None,
        )
        for train in trains
    ]


def _by_train(rows: Any) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        found[row.train_id].append(row)
    return found


def _stage_now(stage: Stage, tests: Sequence[OutletTest]) -> StageNow:
    try:
        estimate: Estimate | None = stage.estimate
    except Estimate.DoesNotExist:
        estimate = None
    test = None
    if estimate is not None:
        test = most_telling(t for t in tests if t.at >= estimate.fitted_at)
    found: dict[str, list[str | None]] = getattr(stage, "by_cause", None) or {}
    return StageNow(stage, estimate, test, found, recent=tuple(tests))
