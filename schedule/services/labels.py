"""Labels to print, one for each housing: what is in it, until when, and a code that opens its log.

The code is a QR code (ISO/IEC 18004) at error correction level Q, which a scratch or a drop of
water on a quarter of it does not spoil, with the quiet zone of four modules that the standard asks
for. It is black on white whatever the theme, for readers that know nothing else.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

import segno
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from cartridges.models import Stage, Train
from cartridges.services import placements
from cartridges.services.placements import Stay
from schedule.models import PlannedSwap, PlanSummary

ERROR_CORRECTION = "q"
QUIET_ZONE_MODULES = 4

Absolute = Callable[[str], str]
"""Turns a path into an address that a phone in the garage can open."""


@dataclass(frozen=True, slots=True)
class Label:
    """One housing. ``open_by`` is the day of the visit that opens it next: to replace what is in
    it, or, where ``moves``, to move it forward. None where the plan opens it within two years
    at no day, or where there is no plan (``known`` is false). ``address`` is what the code says."""

    stage: Stage
    number: int
    count: int
    stay: Stay | None
    open_by: dt.date | None
    moves: bool
    known: bool
    address: str
    code: SafeString


def labels(train: Train, *, absolute: Absolute) -> list[Label]:
    """A label for each stage of today, in the order of the water, by the plan as it stands."""
    stages = list(train.stages.filter(retired_at__isnull=True))
    here = placements.in_service(train)
    swaps = list(
        PlannedSwap.objects.filter(visit__train=train)
        .select_related("visit", "stage")
        .order_by("visit__on", "pk")
    )
    known = PlanSummary.objects.filter(train=train, details__problem="").exists()
    found = []
    for stage in stages:
        stay = here.get(stage.pk)
        swap = next((s for s in swaps if _opens(s, stage, stay)), None)
        address = absolute(log_path(stage))
        found.append(
            Label(
                stage=stage,
                number=stage.position,
                count=len(stages),
                stay=stay,
                open_by=swap.visit.on if swap is not None else None,
                moves=swap is not None and swap.stage_id != stage.pk,
                known=known,
                address=address,
                code=code(address),
            )
        )
    return found


def _opens(swap: PlannedSwap, stage: Stage, stay: Stay | None) -> bool:
    """Whether this visit takes out what the stage holds now: as the one that is spent, or because
    a carbon before it goes and all carbon behind moves forward."""
    if stay is None:
        return False
    if swap.stage_id == stage.pk:
        return swap.replaces_id == stay.cartridge.pk
    return swap.rotation and stage.is_carbon and stage.position > swap.stage.position


def log_path(stage: Stage) -> str:
    """The form that logs a swap of this stage."""
    path = reverse("log-fact", args=[stage.train_id, "swap"])
    return f"{path}?{urlencode({'stage': stage.pk})}"


def code(address: str) -> SafeString:
    """The address as a QR code: an SVG whose size the style sheet gives, without inline style."""
    drawn = segno.make(address, error=ERROR_CORRECTION, micro=False, boost_error=False)
    # Made by segno out of numbers alone: paths, a view box and two colours.
    return mark_safe(
        drawn.svg_inline(
            omitsize=True,
            border=QUIET_ZONE_MODULES,
            dark="#000",
            light="#fff",
            svgclass="label-code",
            lineclass=None,
        )
    )
