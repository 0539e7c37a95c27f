"""Keeps the Estimate rows true to what is written down; every screen reads those rows."""

from __future__ import annotations

import datetime as dt
import hashlib
import logging
import time
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
from django.conf import settings
from django.db import transaction
from django.utils import timezone

from cartridges.models import Estimate, Train
from cartridges.physics.contact import contact_guidance
from cartridges.physics.label import LabelError
from cartridges.physics.throughput import METERED, RESTRICTOR, SHUT
from cartridges.physics.train import (
    NO_CAUSE,
    Quantiles,
    StageEstimate,
    TrainEstimate,
    estimate_train,
)
from cartridges.signals import estimated
from hobbyhydro.households.models import Household

from .assumptions import assumptions
from .placements import Stay
from .timeline import NotEnough, Timeline, moment_of

INLINE_MS = 200.0  # a change is recalculated at once when the last run took no longer
FRESH_FOR = dt.timedelta(days=1)
logger = logging.getLogger(__name__)

ORIGINS = {METERED: "metered", RESTRICTOR: "restrictor", SHUT: "shut"}


def mark_stale(train: Train) -> None:
    """Something that the estimates rest on has changed."""
    train.stale = True
    train.save(update_fields=["stale"])


def mark_stale_for(*, instance: Household, **kwargs: Any) -> None:
    """A household that was saved may plan with another caution than its estimates did."""
    instance.trains.exclude(summary__plan_by=instance.plan_by).update(stale=True)


def needs_refresh(train: Train, *, now: dt.datetime | None = None) -> bool:
    """Whether the rows are behind the facts, or a day old."""
    moment = now or timezone.now()
    return train.stale or train.estimated_at is None or moment - train.estimated_at > FRESH_FOR


def settle(train: Train) -> bool:
    """After a change: recalculate at once when that is quick; True when the rows are fresh."""
    train.refresh_from_db(fields=["stale", "estimated_at", "estimate_ms"])
    if not needs_refresh(train):
        return True
    if train.estimate_ms is None or train.estimate_ms > INLINE_MS:
        return False
    refresh(train)
    return True


def refresh(train: Train, *, now: dt.datetime | None = None) -> list[Estimate]:
    """Calculate the train and write its Estimate rows in the place of those there were.

    What keeps a train from being calculated is written into ``summary["problem"]`` in words, and
    its rows are removed: an old number must not stand for a train that it no longer fits. A fact
    that is logged while this runs leaves the train stale, and of two runs at once the one that
    began later is kept.
    """
    moment = now or timezone.now()
    started = time.perf_counter()
    # Before any fact is read: what marks the train stale from here on is not in this answer. A run
    # that dies half-way leaves no time of calculation, so the next visitor is offered another.
    Train.objects.filter(pk=train.pk).update(stale=False, estimated_at=None)
    line = Timeline(train, moment)
    try:
        inputs = line.inputs
        fingerprint = _fingerprint(inputs, line.now_day)
        found = estimate_train(inputs, now_day=line.now_day, members=settings.MODEL_MEMBERS)
    except (NotEnough, LabelError) as missing:
        _write(train, moment, started, "", [], _problem(missing))
        return []
    except ValueError as contradiction:
        logger.exception("%s cannot be calculated", train)
        _write(train, moment, started, "", [], _problem(contradiction))
        return []
    here = {s.cartridge.pk: s for s in line.stays if s.end is None}
    rows = [
        _row(train, moment, fingerprint, here[int(stage.cartridge)], stage, line)
        for stage in found.stages
        if int(stage.cartridge) in here
    ]
    _write(train, moment, started, fingerprint, rows, _summary(line, found))
    return rows


@transaction.atomic
def _write(
    train: Train,
    moment: dt.datetime,
    started: float,
    fingerprint: str,
    rows: list[Estimate],
    summary: dict[str, Any],
) -> None:
    held = Train.objects.select_for_update().get(pk=train.pk)
    train.stale = held.stale
    if held.estimated_at is not None and held.estimated_at > moment:
        train.refresh_from_db(fields=["estimated_at", "fingerprint", "summary", "estimate_ms"])
        return
    Estimate.objects.filter(train=train).delete()
    Estimate.objects.bulk_create(rows)
    train.estimated_at = moment
    train.fingerprint = fingerprint
    train.summary = summary
    train.estimate_ms = (time.perf_counter() - started) * 1000.0
    train.save(update_fields=["estimated_at", "fingerprint", "summary", "estimate_ms"])
    estimated.send(sender=Train, train=train, estimates=rows, summary=summary)


def _row(
    train: Train,
    moment: dt.datetime,
    fingerprint: str,
    stay: Stay,
    stage: StageEstimate,
    line: Timeline,
) -> Estimate:
    def date(days: float | None) -> dt.datetime | None:
        return None if days is None else moment_of(line.now_day + days)

    remaining = stage.remaining
    outlet = stage.outlet_total_mg_l
    return Estimate(
        train=train,
        stage=stay.stage,
        cartridge=stay.cartridge,
        fitted_at=stay.start,
        computed_at=moment,
        fingerprint=fingerprint,
        p10_at=date(stage.days.p10),
        p50_at=date(stage.days.p50),
        p90_at=date(stage.days.p90),
        planned_at=date(stage.days.planned),
        cause="" if stage.cause == NO_CAUSE else stage.cause,
        remaining_p10=remaining.p10 if remaining else None,
        remaining_p50=remaining.p50 if remaining else None,
        remaining_p90=remaining.p90 if remaining else None,
        outlet_total_p50_mg_l=outlet.p50,
        outlet_total_p90_mg_l=outlet.p90,
        outlet_free_p50_mg_l=stage.outlet_free_mg_l.p50,
        fresh_outlet_mg_l=stage.fresh_outlet_mg_l,
        cannot_hold_share=stage.cannot_hold_share,
        contact_min=stage.contact_min,
        volume_l=stage.volume_l,
        label_volume_l=stage.label_volume_l,
        label_at=date(stage.label_days),
        safe_at=date(stage.safe_days),
        details={
            "curve": {
                "at": [_iso(date(d - line.now_day)) for d in stage.curve.day],
                "p10": _rounded(stage.curve.p10),
                "p50": _rounded(stage.curve.p50),
                "p90": _rounded(stage.curve.p90),
            },
            "causes": {k: v for k, v in stage.cause_shares.items() if k != NO_CAUSE},
            "by_cause": {cause: _dates(days, line) for cause, days in stage.days_by_cause.items()},
            "train_limit": _dates(stage.days_to_train_limit, line),
            "rests_on": list(stage.rests_on),
            "assumptions": assumptions(stay.cartridge.spec, line),
            "transfer_units": stage.transfer_units,
            "capacity_mg": stage.capacity_mg,
        },
    )


def _summary(line: Timeline, found: TrainEstimate) -> dict[str, Any]:
    flow = line.throughput
    past, _ = line.source
    guidance = contact_guidance(line.train.source.disinfectant)
    contacts = [s.contact_min for s in found.stages if s.contact_min is not None]
    return {
        "plan_by": line.train.household.plan_by,
        "flow_l_day": flow.open_flow_l_day,
        "flow_rel_sd": flow.future_rel_sd,
        "flow_origin": ORIGINS[int(flow.segments.origin[-1])],
        "shut_off": flow.future_flow_l_day == 0 and flow.open_flow_l_day > 0,
        "correction": flow.correction.factor,
        "inlet_free_mg_l": float(past.free_mg_l[-1]),
        "inlet_total_mg_l": float(past.total_mg_l[-1]),
        "contact_in_all_min": sum(contacts) if contacts else None,
        "guidance_per_bed_min": guidance.per_bed_min,
        "guidance_in_all_min": guidance.in_all_min,
        "guidance_source": guidance.source,
        "water_l": flow.segments.total_l,
        "effective_members": found.effective_members,
        "replicate_spread": _finite(found.replicate_spread),
        "two_humped": found.two_humped,
        "unreconciled": list(found.unreconciled),
        "problem": "",
    }


def _problem(error: ValueError) -> dict[str, Any]:
    """What stands in the way, in words, and in one word where to put it right."""
    if isinstance(error, NotEnough):
        return {"problem": str(error), "missing": error.missing}
    if isinstance(error, LabelError):
        return {"problem": str(error), "missing": error.field}
    words = f"Some entries contradict each other: {error}. Correct or undo one of them."
    return {"problem": words, "missing": "logbook"}


def _dates(days: Quantiles, line: Timeline) -> list[str | None]:
    return [_iso(moment_of(line.now_day + d)) for d in (days.p10, days.p50, days.p90, days.planned)]


def _iso(moment: dt.datetime | None) -> str | None:
    return moment.isoformat(timespec="seconds") if moment else None


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _rounded(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float]:
    return [float(f"{v:.4g}") for v in values]


def _fingerprint(inputs: Any, now_day: float) -> str:
    """A digest of everything that the estimate rests on."""
    digest = hashlib.sha256(f"{settings.MODEL_MEMBERS} {now_day:.6f}".encode())

    def feed(value: Any) -> None:
        if is_dataclass(value) and not isinstance(value, type):
            for field in fields(value):
                feed(getattr(value, field.name))
        elif isinstance(value, tuple):
            for each in value:
                feed(each)
        elif isinstance(value, np.ndarray):
            digest.update(np.ascontiguousarray(value).tobytes())
        else:
            digest.update(repr(value).encode())

    feed(inputs)
    return digest.hexdigest()
