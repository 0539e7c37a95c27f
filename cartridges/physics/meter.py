"""Litres between the readings of a totalising meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .arrays import BoolArray, FloatArray, equally_long, vector


class ReadingFalls(ValueError):
    """A reading lower than the one before it, with no roll-over stated.

    index: its place in the run as it was given. before_l, reading_l: the two readings, litres.
    """

    def __init__(self, *, index: int, before_l: float, reading_l: float) -> None:
        super().__init__(
            f"reading {index} ({reading_l:g} L) is lower than the one before it ({before_l:g} L)"
        )
        self.index = index
        self.before_l = before_l
        self.reading_l = reading_l


class ReadingsDisagree(ValueError):
    """Two different readings of one meter at one moment.

    index: the later-listed one's place in the run as it was given.
    """

    def __init__(self, *, index: int, first_l: float, second_l: float) -> None:
        super().__init__(f"two readings at one moment disagree: {first_l:g} L and {second_l:g} L")
        self.index = index
        self.first_l = first_l
        self.second_l = second_l


@dataclass(frozen=True, slots=True, eq=False)
class MeterRun:
    """The readings of one physical meter, in any order of logging.

    day: float days, shape (n,). reading_l: totals shown, litres, not negative, shape (n,).
    rolled_over: True where the dial passed zero since the reading before in time, shape (n,).
    rolls_over_at_l: litres of one full turn of the dial, needed where a roll-over is stated;
    every reading is then below it. Anything else raises ValueError.
    """

    day: FloatArray
    reading_l: FloatArray
    rolled_over: BoolArray
    rolls_over_at_l: float | None = None

    def __post_init__(self) -> None:
        day, reading_l = vector("day", self.day), vector("reading_l", self.reading_l)
        rolled_over = np.array(self.rolled_over, dtype=np.bool_, ndmin=1)
        rolled_over.flags.writeable = False
        equally_long(day=day, reading_l=reading_l, rolled_over=rolled_over)
        if not (np.isfinite(day).all() and np.isfinite(reading_l).all()):
            raise ValueError("days and readings must be finite")
        if (reading_l < 0).any():
            raise ValueError("a meter reading is not negative")
        turn_l = self.rolls_over_at_l
        if turn_l is None:
            if rolled_over.any():
                raise ValueError("a roll-over is stated, but not where the dial rolls over")
        elif not 0 < turn_l < np.inf:
            raise ValueError("the dial must roll over at a volume above 0")
        elif (reading_l >= turn_l).any():
            raise ValueError("a reading is beyond what the dial can show")
        object.__setattr__(self, "day", day)
        object.__setattr__(self, "reading_l", reading_l)
        object.__setattr__(self, "rolled_over", rolled_over)


class Metered(NamedTuple):
    """Intervals between readings: start and end in days, and litres; equal lengths, sorted."""

    start_day: FloatArray
    end_day: FloatArray
    volume_l: FloatArray


def metered_intervals(run: MeterRun) -> Metered:
    """Litres between each two neighbouring readings of one meter, in order of time.

    A stated roll-over adds one full turn of the dial. The same reading given twice at one
    moment counts once; two different ones raise ReadingsDisagree. A fall with no roll-over
    stated raises ReadingFalls. Fewer than two moments give no interval.
    """
    order = np.lexsort((~run.rolled_over, run.reading_l, run.day))
    day, reading_l = run.day[order], run.reading_l[order]
    rolled_over = run.rolled_over[order]
    same = day[1:] == day[:-1]
    clash = same & (reading_l[1:] != reading_l[:-1])
    if clash.any():
        at = int(np.argmax(clash))
        index = int(max(order[at], order[at + 1]))
        raise ReadingsDisagree(
            index=index, first_l=float(reading_l[at]), second_l=float(reading_l[at + 1])
        )
    kept = np.concatenate((np.ones(min(len(day), 1), dtype=np.bool_), ~same))
    order, day, reading_l, rolled_over = order[kept], day[kept], reading_l[kept], rolled_over[kept]
    turn_l = 0.0 if run.rolls_over_at_l is None else run.rolls_over_at_l
    volume_l = np.diff(reading_l) + np.where(rolled_over[1:], turn_l, 0.0)
    if (volume_l < 0).any():
        at = int(np.argmax(volume_l < 0))
        raise ReadingFalls(
            index=int(order[at + 1]),
            before_l=float(reading_l[at]),
            reading_l=float(reading_l[at + 1]),
        )
    return Metered(day[:-1], day[1:], volume_l)


def intervals_of(runs: tuple[MeterRun, ...]) -> Metered:
    """The intervals of all meters of one train, in order of time.

    A meter starts where, or after, the one before it ended; if two run at once: ValueError.
    """
    parts = [metered_intervals(run) for run in runs]
    start = np.concatenate([np.empty(0), *(part.start_day for part in parts)])
    end = np.concatenate([np.empty(0), *(part.end_day for part in parts)])
    volume = np.concatenate([np.empty(0), *(part.volume_l for part in parts)])
    order = np.argsort(start, kind="stable")
    start, end, volume = start[order], end[order], volume[order]
    if (start[1:] < end[:-1]).any():
        raise ValueError("two meters of one train run at the same time")
    return Metered(start, end, volume)
