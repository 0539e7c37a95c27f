"""Renewals of known days, so that what is made of them can be tested apart from the model."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import Any

import pytest

from cartridges.models import CartridgeSpec, Train
from cartridges.physics.plan import Renewal, Renewals
from cartridges.services import placements
from hobbyhydro.households.models import Household
from schedule.services import renewals
from tests.cartridges.estimate_rows import estimate_train

NEW_YORK = zoneinfo.ZoneInfo("America/New_York")
Asked = list[tuple[float, int] | tuple[float, int, dict[str, Any]]]


def estimated(train: Train, *, fingerprint: str = "first") -> Train:
    """A train with estimate rows of known figures, so that its plan can be made."""
    estimate_train(train)
    train.fingerprint = fingerprint
    train.save(update_fields=["fingerprint"])
    return train


def renewal(train: Train, day: float, stage: int, **changes: Any) -> Renewal:
    """One renewal of a stage, of the kind of cartridge that works in it."""
    stay = placements.in_service(train)[train.stages.get(position=stage).pk]
    values: dict[str, Any] = {
        "medium_key": f"spec-{stay.cartridge.spec_id}",
        "cause": "outlet_limit" if stay.stage.is_carbon else "calendar",
        "rotation": False,
        "worn": 0.25,
        "replaced": "",
        "life_days": 100.0,
        "group": stage,
    }
    return Renewal(day=day, stage=stage, **(values | changes))


class FakeModel:
    """Stands in for the simulation: renewals by policy, in days from now, and how often it ran."""

    def __init__(self, train: Train) -> None:
        self.train = train
        self.asked: dict[str, Asked] = {"lead_lag": [], "same_day": []}
        self.litres = 73_000.0
        self.runs = 0
        self.unheld: tuple[tuple[float, float], ...] = ()

    def __call__(
        self, inputs: Any, *, now_day: float, policy: str, horizon_days: float, members: int
    ) -> Renewals:
        self.runs += 1
        found = []
        for days, stage, *more in self.asked[policy]:
            changes = more[0] if more else {}
            found.append(renewal(self.train, now_day + days, stage, **changes))
        return Renewals(
            renewals=tuple(sorted(found, key=lambda r: (r.day, r.stage))),
            litres=self.litres,
            unheld=tuple((now_day + a, now_day + b) for a, b in self.unheld),
            until_day=now_day + horizon_days,
        )


def fitted(train: Train, stage: int) -> str:
    """The model's key for the cartridge that works in a stage."""
    return str(placements.in_service(train)[train.stages.get(position=stage).pk].cartridge.pk)


def kind_in(train: Train, stage: int) -> CartridgeSpec:
    return placements.in_service(train)[train.stages.get(position=stage).pk].cartridge.spec


def fake(train: Train, monkeypatch: pytest.MonkeyPatch) -> FakeModel:
    model = FakeModel(train)
    monkeypatch.setattr(renewals, "simulate_renewals", model)
    return model


def in_zone(household: Household, zone: str) -> Household:
    household.time_zone = zone
    household.save(update_fields=["time_zone"])
    return household


def local_noon(day: dt.date, zone: zoneinfo.ZoneInfo) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(12), tzinfo=zone).astimezone(dt.UTC)
