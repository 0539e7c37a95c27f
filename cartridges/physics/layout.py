"""Which cartridge sat where and when, from the placings that were logged, in any order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from .train_data import Medium, Placing


@dataclass(frozen=True, slots=True)
class Layout:
    """From start_day until the next layout: the cartridge in each stage, None where it is empty."""

    start_day: float
    occupants: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Layouts:
    """All layouts of a train in time order, and the medium of each cartridge."""

    layouts: tuple[Layout, ...]
    media: dict[str, Medium]

    def at(self, day: float) -> tuple[str | None, ...]:
        """Occupants from `day` on, a placing at that moment included; empty before the first."""
        occupants: tuple[str | None, ...] = (None,) * len(self.layouts[0].occupants)
        for layout in self.layouts:
            if layout.start_day > day:
                break
            occupants = layout.occupants
        return occupants

    def first_day(self, cartridge: str) -> float:
        """When the cartridge was first placed anywhere; inf if never."""
        days = (one.start_day for one in self.layouts if cartridge in one.occupants)
        return min(days, default=math.inf)

    def here_since(self, cartridge: str, stage: int) -> float:
        """When the cartridge came to sit in the stage (from 1) it sits in at the end."""
        since = math.inf
        for layout in reversed(self.layouts):
            if layout.occupants[stage - 1] != cartridge:
                break
            since = layout.start_day
        return since

    def periods_of(self, cartridge: str, *, until_day: float) -> list[tuple[float, float]]:
        """The periods in which the cartridge sat in any stage, up to a day."""
        periods = []
        ends = [*(layout.start_day for layout in self.layouts[1:]), math.inf]
        for layout, end in zip(self.layouts, ends, strict=True):
            if cartridge in layout.occupants and layout.start_day < until_day:
                periods.append((layout.start_day, min(end, until_day)))
        return periods


def layouts_from(placings: Iterable[Placing], *, stage_count: int) -> Layouts:
    """Sort placings into layouts.

    Placings of one moment act together: every cartridge they name leaves where it was, then all go
    in. ValueError for: no placing, a stage outside 1..stage_count, a day that is not finite, two
    cartridges in one stage at one moment, one cartridge in two stages at one moment, a cartridge
    without a medium or with two different ones.
    """
    by_day: dict[float, list[Placing]] = {}
    media: dict[str, Medium] = {}
    for placing in placings:
        if not math.isfinite(placing.day):
            raise ValueError("the day of a placing must be finite")
        if not 1 <= placing.stage <= stage_count:
            raise ValueError(f"stage {placing.stage} is not one of the {stage_count} of the train")
        by_day.setdefault(placing.day, []).append(placing)
        if placing.cartridge is not None and placing.medium is not None:
            known = media.setdefault(placing.cartridge, placing.medium)
            if known != placing.medium:
                raise ValueError(f"cartridge {placing.cartridge} is given two different media")
    if not by_day:
        raise ValueError("a train without any placing holds no cartridge to estimate")
    layouts = []
    occupants: list[str | None] = [None] * stage_count
    for day in sorted(by_day):
        occupants = _after(occupants, by_day[day], media)
        layouts.append(Layout(day, tuple(occupants)))
    return Layouts(tuple(layouts), media)


def _after(
    occupants: list[str | None], placings: list[Placing], media: dict[str, Medium]
) -> list[str | None]:
    going_in: dict[int, str] = {}
    for placing in placings:
        if placing.cartridge is None:
            continue
        if placing.cartridge not in media:
            raise ValueError(f"cartridge {placing.cartridge} has no medium")
        if going_in.get(placing.stage, placing.cartridge) != placing.cartridge:
            raise ValueError(f"two cartridges are placed in stage {placing.stage} at one moment")
        going_in[placing.stage] = placing.cartridge
    if len(set(going_in.values())) < len(going_in):
        raise ValueError("one cartridge is placed in two stages at one moment")
    emptied = {placing.stage for placing in placings}
    moving = set(going_in.values())
    left = [
        None if stage in emptied or key in moving else key
        for stage, key in enumerate(occupants, start=1)
    ]
    return [going_in.get(stage, key) for stage, key in enumerate(left, start=1)]


def first_needed_day(
    layouts: Layouts, *, now_day: float, tests: Iterable[tuple[float, int]], with_bed: set[str]
) -> float:
    """The day from which the past must be run to know the beds now and at every test.

    tests: (day, after_stage). Starts from the cartridges in place now and upstream of each test,
    and goes back as long as some bed then in the train was already worn. Cartridges not in
    with_bed need no past. Returns now_day where nothing needs one.
    """
    needed = {key for key in layouts.at(now_day) if key in with_bed}
    for day, after_stage in tests:
        for moment in (day, math.nextafter(day, -math.inf)):
            needed |= {key for key in layouts.at(moment)[:after_stage] if key in with_bed}
    first = {key: layouts.first_day(key) for key in with_bed}
    ends = [*(layout.start_day for layout in layouts.layouts[1:]), math.inf]
    start = min((first[key] for key in needed), default=now_day)
    # Backwards through the layouts: each that still overlaps the span adds what it held.
    for layout, end in zip(reversed(layouts.layouts), reversed(ends), strict=True):
        if layout.start_day <= now_day and end > start:
            held = (first[key] for key in layout.occupants if key in with_bed)
            start = min([start, *held])
    return min(start, now_day)
