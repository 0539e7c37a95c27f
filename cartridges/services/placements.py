"""Where each cartridge is and has been, as it follows from the fittings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace

from django.db.models import Q

from cartridges.models import Cartridge, Fitting, Stage, Train
from hobbyhydro.households.models import Household


@dataclass(frozen=True, slots=True)
class Stay:
    """One cartridge in one stage, from ``start`` until ``end`` (None: it is still there)."""

    stage: Stage
    cartridge: Cartridge
    start: dt.datetime
    end: dt.datetime | None
    fitting: Fitting

    def covers(self, moment: dt.datetime) -> bool:
        """Whether the cartridge was at work in this stage at that moment."""
        return self.start <= moment and (self.end is None or moment < self.end)


def follow(fittings: Iterable[Fitting]) -> list[Stay]:
    """The stays that a sequence of fittings (in order of time) amounts to.

    A fitting ends the stay of whatever its stage held, and of wherever its cartridge was.
    """
    closed: list[Stay] = []
    by_stage: dict[int, Stay] = {}
    by_cartridge: dict[int, Stay] = {}

    def close(stay: Stay | None, moment: dt.datetime) -> None:
        if stay is None:
            return
        by_stage.pop(stay.stage.pk, None)
        by_cartridge.pop(stay.cartridge.pk, None)
        if stay.start < moment:  # what was replaced at the same moment was never there
            closed.append(replace(stay, end=moment))

    for fitting in fittings:
        close(by_stage.get(fitting.stage_id), fitting.at)
        if fitting.cartridge is None:
            continue
        close(by_cartridge.get(fitting.cartridge.pk), fitting.at)
        stay = Stay(fitting.stage, fitting.cartridge, fitting.at, None, fitting)
        by_stage[fitting.stage_id] = by_cartridge[fitting.cartridge.pk] = stay
    found = closed + list(by_stage.values())
    return sorted(found, key=lambda s: (s.start, s.stage.position, s.fitting.pk))


def stays(train: Train) -> list[Stay]:
    """Every stay in this train's stages, oldest first. One query."""
    rows = (
        Fitting.objects.standing()
        .filter(Q(train=train) | Q(cartridge__fittings__train=train))
        .select_related("stage", "cartridge__spec", "logged_by")
        .distinct()
        .in_order()
    )
    return [s for s in follow(rows) if s.stage.train_id == train.pk]


def in_service(train: Train) -> dict[int, Stay]:
    """The stay that lasts, by the stage's primary key. One query."""
    return {s.stage.pk: s for s in stays(train) if s.end is None}


def household_stays(household: Household) -> list[Stay]:
    """Every stay in any train of the household. One query."""
    rows = (
        Fitting.objects.standing()
        .filter(train__household=household)
        .select_related("stage__train", "cartridge__spec", "logged_by")
        .in_order()
    )
    return follow(rows)


def shelf(household: Household) -> list[Cartridge]:
    """Cartridges that were never fitted and not thrown away, oldest first. One query."""
    never_fitted = Q(fittings__isnull=True) | ~Q(
        pk__in=Fitting.objects.standing()
        .filter(cartridge__household=household)
        .values("cartridge_id")
    )
    return list(
        Cartridge.objects.filter(never_fitted, household=household, discarded_at__isnull=True)
        .select_related("spec")
        .order_by("number")
        .distinct()
    )


def spent(household: Household) -> list[Stay]:
    """The last stay of each cartridge that is no longer at work. One query."""
    last: dict[int, Stay] = {}
    for stay in household_stays(household):
        last[stay.cartridge.pk] = stay
    return [s for s in last.values() if s.end is not None]
