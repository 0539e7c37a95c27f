"""Is the water safe now, what is to be done next and by when, and how sure that is.

Pure reading of what the last calculation left behind: no query, no model.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.utils import timezone

from cartridges.models import Cause, Estimate, Train

from . import testing
from .measures import in_mg
from .overview import StageNow, TrainNow

SOON_DAYS = 14
CHANCES = {5: "1 of 20", 10: "1 of 10", 25: "1 of 4", 50: "1 of 2"}
PLANNED = 3
"""Place of the planned date among the dates of ``by_cause``."""

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One of “ok”, “soon”, “now”, “unknown”, with the words that say what it means here."""

    state: str
    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Due:
    """One cartridge, or a group, that a rule makes due, with the three dates of that rule."""

    stages: tuple[StageNow, ...]
    seen_at: StageNow
    cause: str
    planned_at: dt.datetime | None
    p10_at: dt.datetime | None
    p50_at: dt.datetime | None
    p90_at: dt.datetime | None


@dataclass(frozen=True, slots=True)
class NextAct:
    """What to do next. ``by`` is the planning date, as careful as the household wants it."""

    state: str
    title: str
    kind: str
    stage: StageNow
    by: dt.date
    days: int
    reason: str
    likely: str
    spread: str

    @property
    def is_rotation(self) -> bool:
        return self.kind == "rotation"

    @property
    def is_test(self) -> bool:
        return self.kind == "test"


def verdict(now: TrainNow) -> Verdict:
    """Whether the water behind the last stage is within the keeper's limit, by model and tests.

    A recent test above the limit outweighs every forecast.
    """
    last = now.last
    if now.shut is not None:
        since = timezone.localtime(now.shut.at).strftime("%-d %b")
        return Verdict("unknown", "Water off", f"The water has been off since {since}.")
    worst = testing.above_at_the_tanks(now)
    if worst is not None:
        when = timezone.localtime(worst.at).strftime("%-d %b")
        return Verdict(
            "now",
            "Above your limit",
            f"The test of {when} found {worst.value_mg_l:.2f} mg/L after the last stage; your "
            f"limit is {now.train.limit_mg_l:.2f} mg/L.",
        )
    open_one = testing.unanswered_at_the_tanks(now)
    if open_one is not None:
        when = timezone.localtime(open_one.at).strftime("%-d %b")
        return Verdict(
            "now",
            "Test now",
            f"The test of {when} found {open_one.value_mg_l:.2f} mg/L after the last stage. A "
            "cartridge was changed since, and nobody has tested again.",
        )
    if last is None or last.estimate is None:
        return Verdict("unknown", "Not known yet", now.problem or "No estimate has been made yet.")
    estimate, limit = last.estimate, now.train.limit_mg_l
    middle, high = estimate.outlet_total_p50_mg_l, estimate.outlet_total_p90_mg_l
    predicted = f"predicted after the last stage: {in_mg(middle)}"
    if middle is not None and middle > limit:
        return Verdict(
            "now",
            "Above your limit",
            f"Total chlorine {predicted}; your limit is {limit:.2f} mg/L.",
        )
    if high is not None and high > limit:
        return Verdict(
            "soon",
            "May be above your limit",
            f"Total chlorine {predicted}, but 1 in 10 outcomes exceeds {in_mg(high)}. "
            "Test the water today.",
        )
    return Verdict(
        "ok", "Below your limit", f"Total chlorine {predicted}; your limit is {limit:.2f} mg/L."
    )


def next_act(now: TrainNow, *, today: dt.date | None = None) -> NextAct | None:
    """The act whose planning date comes first; None where nothing is due within ten years.

    Under lead–lag the first carbon is due when its own outlet reaches the limit. Under same-day
    all carbon is due when the last outlet does, or when any of it is too old by its package. A
    test above the limit comes before all of that: first to be repeated, then to be acted on.
    """
    today = today or timezone.localdate()
    found = testing.above_between(now)
    if found is not None:
        return _after_test(now, found, today=today)
    dues = [d for d in _dues(now) if d.planned_at is not None]
    if not dues:
        return None
    return _act(now, min(dues, key=lambda d: d.planned_at or timezone.now()), today=today)


def stage_state(estimate: Estimate | None, *, today: dt.date | None = None) -> str:
    """“ok”, “soon”, “now” or “unknown” for one cartridge, by its planning date."""
    if estimate is None:
        return "unknown"
    return state_of(estimate.planned_at, today=today)


def state_of(planned: dt.datetime | None, *, today: dt.date | None = None) -> str:
    """“now” on and after the planning date, “soon” in the fortnight before it, else “ok”."""
    if planned is None:
        return "ok"
    days = days_to(planned, today=today)
    if days <= 0:
        return "now"
    return "soon" if days <= SOON_DAYS else "ok"


STATE_WORDS = {"ok": "fine", "soon": "soon", "now": "due", "unknown": "not known"}


def days_to(when: dt.datetime, *, today: dt.date | None = None) -> int:
    """Whole days on the household's calendar."""
    return (timezone.localtime(when).date() - (today or timezone.localdate())).days


def spread_in_days(
    p10_at: dt.datetime | None, p90_at: dt.datetime | None, *, today: dt.date | None = None
) -> str:
    """“41–66 days”: between these lie 8 in 10 outcomes."""
    if p10_at is None:
        return "beyond ten years"
    low = max(0, days_to(p10_at, today=today))
    if p90_at is None:
        return f"{low:,} days to beyond ten years"
    high = max(0, days_to(p90_at, today=today))
    if high == 0:
        return "today or earlier"
    return plural(low, "day") if low == high else f"{low:,}–{high:,} days"


def plural(count: int, noun: str) -> str:
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def why(cause: str, *, now: TrainNow, stage: StageNow) -> str:
    """The cause in the middle of a sentence, with where it shows."""
    holds = stage.holds(now.train.limit_mg_l) or not now.carbon
    position = (stage if holds else now.carbon[-1]).stage.position
    return (
        {
            Cause.OUTLET_LIMIT: f"{now.disinfectant} reaches your limit of "
            f"{now.train.limit_mg_l:.2f}\u00a0mg/L after stage {position}",
            Cause.LABEL_VOLUME: "the volume on the package is used up",
            Cause.CALENDAR: "it reaches the age that its package allows",
            Cause.DIRT: "it holds all the dirt it can",
            Cause.RESISTANCE: "it holds back too much of the flow",
        }.get(Cause(cause), "")
        if cause
        else ""
    )


def _dues(now: TrainNow) -> Iterator[Due]:
    carbon = [s for s in now.carbon if s.estimate is not None]
    together = now.train.policy == Train.Policy.SAME_DAY and len(carbon) > 1
    for stage in now.stages:
        estimate = stage.estimate
        if estimate is None:
            continue
        if together and stage.stage.is_carbon:
            if stage is not carbon[-1]:
                yield _by_age(stage, estimate, group=tuple(carbon))
                continue
            group = tuple(carbon)
        else:
            group = (stage,)
        dates = (estimate.planned_at, estimate.p10_at, estimate.p50_at, estimate.p90_at)
        yield Due(group, stage, estimate.cause, *dates)


def _by_age(stage: StageNow, estimate: Estimate, *, group: tuple[StageNow, ...]) -> Due:
    """Same-day: an earlier carbon's own outlet does not count, its age does."""
    ages = stage.by_cause.get(Cause.CALENDAR) or [None] * 4
    p10, p50, p90, planned = (None if a is None else dt.datetime.fromisoformat(a) for a in ages)
    return Due(group, stage, Cause.CALENDAR, planned, p10, p50, p90)


def _act(now: TrainNow, due: Due, *, today: dt.date) -> NextAct:
    assert due.planned_at is not None  # _dues with no date were left out
    kind, title = _title(now, due)
    early = why(_early_cause(due), now=now, stage=due.seen_at)
    return NextAct(
        state=state_of(due.planned_at, today=today),
        title=title,
        kind=kind,
        stage=due.stages[0],
        by=timezone.localtime(due.planned_at).date(),
        days=max(0, days_to(due.planned_at, today=today)),
        reason=early,
        likely=_likely(now, due, early, today=today),
        spread=spread_in_days(due.p10_at, due.p90_at, today=today),
    )


def _early_cause(due: Due) -> str:
    """What sets the planning date: the deciding cause whose own planned day comes first."""
    estimate = due.seen_at.estimate
    by_cause = due.seen_at.by_cause
    if due.cause != (estimate.cause if estimate else "") or not by_cause:
        return due.cause
    lows = {
        cause: planned
        for cause, dates in by_cause.items()
        if cause != Cause.LABEL_VOLUME and dates and (planned := dates[PLANNED]) is not None
    }
    if not lows:
        return due.cause
    first = min(lows, key=lambda cause: dt.datetime.fromisoformat(lows[cause]))
    # Dates are kept to the second: at a tie the most frequent cause speaks.
    return due.cause if lows.get(due.cause) == lows[first] else first


def _likely(now: TrainNow, due: Due, early: str, *, today: dt.date) -> str:
    """The middle outcome in a sentence, and what sets the planning date where that differs."""
    middle = why(due.cause, now=now, stage=due.seen_at)
    chance = CHANCES[int(now.summary.get("plan_by", 10))]
    if due.p50_at is None:
        return f"In {chance} outcomes {early} by then; most likely only after ten years."
    days = days_to(due.p50_at, today=today)
    if early != middle:
        return (
            f"In {chance} outcomes {early} by then; most likely {middle} in {plural(days, 'day')}."
        )
    if days > 0:
        return f"Most likely {middle} in {plural(days, 'day')}."
    return f"By now {middle}, most likely."


def _after_test(now: TrainNow, found: testing.Found, *, today: dt.date) -> NextAct:
    """Repeat a test that found too much; when it did so twice, believe it over any forecast."""
    position = found.stage.stage.position
    carbon = tuple(s for s in now.carbon if s.estimate is not None)
    same_day = now.train.policy == Train.Policy.SAME_DAY
    group = carbon if same_day and found.stage is carbon[-1] else (found.stage,)
    kind, replace = _title(now, Due(group, found.stage, "", None, None, None, None))
    when = timezone.localtime(found.test.at).strftime("%-d %b")
    said = (
        f"The test of {when} found {found.test.value_mg_l:.2f}\u00a0mg/L behind stage {position}, "
        f"above your limit of {now.train.limit_mg_l:.2f}\u00a0mg/L"
    )
    if found.twice:
        title, likely = replace, f"{said}, and so did the one before. Trust the tests."
    else:
        kind, title = "test", f"Test again behind stage {position}, with a fresh vial or strip"
        likely = f"{said}. If it shows again: {replace[0].lower()}{replace[1:]}."
    return NextAct("now", title, kind, found.stage, today, 0, said, likely, "")


def _title(now: TrainNow, due: Due) -> tuple[str, str]:
    if len(due.stages) > 1:
        numbers = " and ".join(str(s.stage.position) for s in due.stages)
        return "swap", f"Replace all the carbon, stages {numbers}"
    stage = due.stages[0]
    carbon = now.carbon
    lead_lag = now.train.policy == Train.Policy.LEAD_LAG
    alike = len(carbon) > 1 and carbon[0].name == carbon[1].name
    if lead_lag and alike and stage is carbon[0]:
        return (
            "rotation",
            f"Replace the first {stage.name} (stage {stage.stage.position}) and move the next "
            "forward",
        )
    return "swap", f"Replace the {_which(now, stage)} (stage {stage.stage.position})"


def _which(now: TrainNow, stage: StageNow) -> str:
    """“second carbon block” where there are several of a kind, “sediment cartridge” where not."""
    same = [s for s in now.stages if s.stage.kind == stage.stage.kind]
    noun = stage.name if stage.stage.is_carbon else f"{stage.name} cartridge"
    if len(same) < 2:
        return noun
    place = same.index(stage)
    return f"{ORDINALS[place]} {noun}" if place < len(ORDINALS) else noun
