"""What the keeper's own tests say, apart from every forecast: a test outweighs the model.

Pure reading: no query, no model.
"""

from __future__ import annotations

from dataclasses import dataclass

from cartridges.models import OutletTest

from .overview import StageNow, TrainNow, most_telling


@dataclass(frozen=True, slots=True)
class Found:
    """A stage behind which a test found too much; ``twice`` when the one before it did as well."""

    stage: StageNow
    test: OutletTest
    twice: bool


def is_above(test: OutletTest, limit_mg_l: float) -> bool:
    """Whether the kit showed more than the limit."""
    return not test.below and test.value_mg_l > limit_mg_l


def above_at_the_tanks(now: TrainNow) -> OutletTest | None:
    """The test of the water behind the last carbon that says most, where it was above the limit."""
    tests = [s.test for s in _behind(now) if s.test is not None]
    found = most_telling(sorted(tests, key=lambda t: t.at))
    return found if found and is_above(found, now.train.limit_mg_l) else None


def unanswered_at_the_tanks(now: TrainNow) -> OutletTest | None:
    """A test above the limit behind the last carbon after which a cartridge was changed or taken
    out, and nobody tested again."""
    tests = sorted((t for s in _behind(now) for t in s.recent), key=lambda t: t.at)
    found = most_telling(tests)
    if found is None or not is_above(found, now.train.limit_mg_l):
        return None
    return found if above_at_the_tanks(now) is None else None


def above_between(now: TrainNow) -> Found | None:
    """The first carbon behind which the newest test of its present cartridge was above the limit.

    Only stages that could hold the limit when new count: behind one that cannot, such a test is
    what is to be expected.
    """
    limit = now.train.limit_mg_l
    for stage in now.carbon:
        if stage.estimate is None or stage.test is None or not is_above(stage.test, limit):
            continue
        if not stage.holds(limit):
            continue
        fitted = stage.estimate.fitted_at
        mine = [t for t in stage.recent if fitted <= t.at < stage.test.at]
        return Found(stage, stage.test, twice=bool(mine) and is_above(mine[-1], limit))
    return None


def _behind(now: TrainNow) -> tuple[StageNow, ...]:
    """The last carbon stage and all after it; the last stage where there is no carbon."""
    if not now.carbon:
        return now.stages[-1:]
    return now.stages[now.stages.index(now.carbon[-1]) :]
