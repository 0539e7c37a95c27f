"""Estimate rows of known figures, so that pages can be tested apart from the model."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from cartridges.models import Cause, Estimate, Stage, Train
from cartridges.services import placements

SUMMARY: dict[str, Any] = {
    "plan_by": 10,
    "flow_l_day": 189.27,
    "flow_rel_sd": 0.05,
    "flow_origin": "metered",
    "shut_off": False,
    "correction": 1.0,
    "inlet_free_mg_l": 0.1,
    "inlet_total_mg_l": 2.0,
    "contact_in_all_min": 8.4,
    "guidance_per_bed_min": 5.0,
    "guidance_in_all_min": 10.0,
    "guidance_source": "two-bed practice of dialysis water treatment",
    "water_l": 11_000.0,
    "effective_members": 3000.0,
    "replicate_spread": 0.01,
    "two_humped": False,
    "unreconciled": [],
    "problem": "",
}


def estimate_train(train: Train, *, days: dict[int, tuple[Any, Any, Any]] | None = None) -> Train:
    """Rows for every stage that holds a cartridge: ``days`` by position, P10, P50, P90."""
    given = days or {}
    train.estimates.all().delete()
    default = {1: (120, 123, 125), 2: (41, 50, 66), 3: (200, 260, 340)}
    for stay in placements.in_service(train).values():
        position = stay.stage.position
        row = estimate_row(
            train, stay.stage, *given.get(position, default.get(position, (90, 100, 110)))
        )
        row.cartridge = stay.cartridge
        row.fitted_at = stay.start
        row.save()
    train.summary = dict(SUMMARY)
    train.stale = False
    train.estimated_at = timezone.now()
    train.estimate_ms = 100.0
    train.save()
    return train


def estimate_row(
    train: Train,
    stage: Stage,
    p10: float | None,
    p50: float | None,
    p90: float | None,
    **changes: Any,
) -> Estimate:
    """One unsaved row; days from now, None beyond the horizon."""
    now = timezone.now()
    carbon = stage.is_carbon
    cause = Cause.OUTLET_LIMIT if carbon else Cause.CALENDAR
    values: dict[str, Any] = {
        "train": train,
        "stage": stage,
        "fitted_at": now - dt.timedelta(days=60),
        "computed_at": now,
        "fingerprint": "x",
        "p10_at": at(now, p10),
        "p50_at": at(now, p50),
        "p90_at": at(now, p90),
        "planned_at": at(now, p10),
        "cause": cause,
        "remaining_p10": 0.4,
        "remaining_p50": 0.5,
        "remaining_p90": 0.6,
        "outlet_total_p50_mg_l": 0.02 if carbon else 2.0,
        "outlet_total_p90_mg_l": 0.06 if carbon else 2.0,
        "outlet_free_p50_mg_l": 0.001 if carbon else 0.1,
        "contact_min": 4.2 if carbon else None,
        "volume_l": 11_000.0,
        "label_volume_l": 22_712.0 if carbon else None,
        "label_at": at(now, 62) if carbon else None,
        "safe_at": at(now, p50) if carbon else None,
        "details": details(now, cause=cause, days=(p10, p50, p90)),
    }
    return Estimate(**(values | changes))


def details(now: dt.datetime, *, cause: str, days: tuple[Any, Any, Any]) -> dict[str, Any]:
    """A curve of 120 points, one cause, and the kinds of figures that a stage rests on."""
    moments = [now + dt.timedelta(days=k - 60) for k in range(120)]
    planned = (*days, days[0])
    dates = [None if d is None else iso(now + dt.timedelta(days=d)) for d in planned]
    return {
        "curve": {
            "at": [iso(m) for m in moments],
            "p10": [0.0001 * k for k in range(120)],
            "p50": [0.0004 * k for k in range(120)],
            "p90": [0.0012 * k for k in range(120)],
        },
        "causes": {cause: 1.0},
        "by_cause": {
            cause: dates,
            Cause.LABEL_VOLUME: [iso(now + dt.timedelta(days=62))] * 4,
        },
        "rests_on": [],
        "assumptions": [
            {
                "figure": "capacity_mg",
                "value": 45_800.0,
                "quantity": "capacity",
                "unit": "",
                "origin": "package",
                "text": "Chlorine that a fresh cartridge can take up.",
            },
            {
                "figure": "flow_exponent",
                "value": 0.25,
                "quantity": "",
                "unit": "",
                "origin": "assumed",
                "text": "How much slow flow slows the carbon.",
            },
            {
                "figure": "bed_volume_l",
                "value": 0.55,
                "quantity": "bed_volume",
                "unit": "",
                "origin": "package",
                "text": "Volume of carbon.",
            },
            {
                "figure": "correction",
                "value": 0.95,
                "quantity": "",
                "unit": "×",
                "origin": "measured",
                "text": "Flow found over flow expected.",
            },
        ],
        "transfer_units": 40.0,
        "capacity_mg": 45_800.0,
    }


def at(now: dt.datetime, days: float | None) -> dt.datetime | None:
    return None if days is None else now + dt.timedelta(days=days)


def iso(moment: dt.datetime) -> str:
    return moment.isoformat(timespec="seconds")
