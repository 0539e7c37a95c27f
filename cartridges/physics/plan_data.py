"""What the plan of a train is made of: renewals, and the visits that hold them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Policy = Literal["lead_lag", "same_day"]
POLICIES: tuple[Policy, ...] = ("lead_lag", "same_day")


@dataclass(frozen=True, slots=True)
class Renewal:
    """One new cartridge, and the used one that goes out for it.

    day: its planning day, on the axis of the inputs' days; never before the day of today. stage:
    where the used cartridge sat until then (from 1). medium_key: of the new cartridge. cause: the
    cause that most members that have reached one by that day reached (one of CAUSES). rotation: the
    cartridges behind it move one stage forward and the new one goes in last of its chain; else the
    new one takes its place. worn: the median fraction of its capacity (of its dirt load, of its age
    where only that is known) that is left and is thrown away, None where nothing is known of it.
    replaced: key of the cartridge that goes out, "" for one that the plan itself put in.
    life_days: how long one cartridge serves here: its age at the end; in a chain that rotates, the
    days of water that use up what one cartridge can give. group: number of the first stage of those
    that are renewed by one rule (a chain, all carbon of a same-day train, else the stage alone).
    """

    day: float
    stage: int
    medium_key: str
    cause: str
    rotation: bool
    worn: float | None
    replaced: str
    life_days: float
    group: int

    def __post_init__(self) -> None:
        if not math.isfinite(self.day):
            raise ValueError("the day of a renewal must be finite")
        if not self.life_days >= 0.0:
            raise ValueError("the life of a cartridge cannot be negative")


@dataclass(frozen=True, slots=True)
class Renewals:
    """All renewals of a train up to a horizon, sorted by day and stage.

    litres: water that passes the train from now to the horizon at the expected flow. unheld:
    periods (first day, last day) in which chlorine passes the limit in most members even through
    new cartridges; within them it asks for no renewal, the volume and the age of the package do.
    until_day: the plan is complete up to this day; it lies before the horizon only where cartridges
    last so short that the plan was cut off.
    """

    renewals: tuple[Renewal, ...]
    litres: float
    unheld: tuple[tuple[float, float], ...]
    until_day: float

    @property
    def cannot_hold(self) -> bool:
        """Whether the train cannot hold its limit, even new, at some time before the horizon."""
        return bool(self.unheld)


@dataclass(frozen=True, slots=True)
class Visit:
    """One day on which somebody opens housings, and what is renewed then.

    renewals: each with the day on which it would be due by itself, which is never before `day`.
    wasted: value of the life thrown away by coming early. saved: what the visits cost that are no
    longer made. brought_together: whether anything was brought forward to this day.
    """

    day: float
    renewals: tuple[Renewal, ...]
    wasted: float
    saved: float
    brought_together: bool
