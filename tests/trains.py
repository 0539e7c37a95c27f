"""Builds trains for tests, through the same acts as the screens use."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from cartridges.models import (
    CartridgeSpec,
    Meter,
    MeterReading,
    RestrictorFitting,
    Source,
    SourceReading,
    Train,
)
from cartridges.services import acts
from hobbyhydro.households.models import Household, User

L_PER_GAL = 3.785411784
KINDS = (
    ("sediment", "sediment-5-slim"),
    ("carbon_block", "block-slim"),
    ("catalytic_carbon", "catalytic-slim"),
)


def build_train(
    household: Household,
    by: User,
    *,
    days: int = 60,
    flow_gal_day: float = 50.0,
    readings: int = 3,
    kinds: tuple[tuple[str, str], ...] = KINDS,
    name: str = "Basement drip",
) -> Train:
    """A train that has run for ``days``, metered ``readings`` times at the restrictor's flow."""
    start = timezone.now() - dt.timedelta(days=days)
    source = Source.objects.create(household=household, temperature_c=18.0)
    train = Train.objects.create(
        household=household, source=source, name=name, started_at=start, set_up_at=start
    )
    for position, (kind, key) in enumerate(kinds, start=1):
        stage = train.stages.create(position=position, kind=kind)
        spec = CartridgeSpec.objects.get(starter_key=key)
        [cartridge] = acts.buy(household=household, spec=spec, bought_on=start.date())
        acts.swap(stage=stage, cartridge=cartridge, at=start, by=by)
    acts.log(
        SourceReading(source=source, at=start, free_mg_l=0.1, total_mg_l=2.0),
        by=by,
    )
    acts.log(
        RestrictorFitting(train=train, at=start, rated_flow_l_day=flow_gal_day * L_PER_GAL), by=by
    )
    meter = Meter.objects.create(train=train, unit="gal", fitted_at=start)
    for k in range(1, readings + 1):
        elapsed = days * k / (readings + 1)
        acts.log(
            MeterReading(
                train=train,
                meter=meter,
                at=start + dt.timedelta(days=elapsed),
                reading_l=flow_gal_day * L_PER_GAL * elapsed,
            ),
            by=by,
        )
    return train
