"""Logging: the menu of what can be logged, and the one view behind every form."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from cartridges.forms.log_base import LogForm
from cartridges.forms.log_kinds import ACTS, Act
from cartridges.forms.log_meter import MeterReadingForm
from cartridges.models import Shutoff, Train
from cartridges.services import acts, estimates, logbook
from hobbyhydro.households import access
from hobbyhydro.households.access import To

from .log_said import said, say_repeated, say_saved
from .log_write import write

IN_A_YEAR = dt.timedelta(days=365)


def train_to_write(request: HttpRequest, pk: int) -> Train:
    """The train, for somebody who may log."""
    trains = Train.objects.select_related("source", "household")
    return access.get(request, trains, pk, to=To.WRITE)


@login_required
@require_GET
def menu(request: HttpRequest, train: int) -> HttpResponse:
    """Everything that can be logged; the meter first, then what was used most in a year."""
    found = train_to_write(request, train)
    used = logbook.uses(found, since=timezone.now() - IN_A_YEAR)
    is_off = Shutoff.objects.standing().filter(train=found, until__isnull=True).exists()
    here = [a for a in ACTS.values() if a.kind != ("shut-off" if is_off else "turn-on")]
    order = sorted(here, key=lambda a: -_use(used, a).count)
    context = {
        "train": found,
        "tiles": [{"act": a, "last_at": _use(used, a).last_at} for a in order],
        "form": MeterReadingForm(train=found, units=access.person(request).units),
    }
    return render(request, "cartridges/log/menu.html", context)


def _use(used: dict[str, logbook.Use], act: Act) -> logbook.Use:
    return used.get(act.kind, logbook.Use(0, None))


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def act(request: HttpRequest, train: int, kind: str) -> HttpResponse:
    """One thing to log: its form, and the saving of it."""
    found = train_to_write(request, train)
    wanted = ACTS.get(kind)
    if wanted is None:
        raise Http404
    if request.method == "POST":
        form = _save(request, found, wanted)
        if form is None:
            return redirect("train", train=found.pk)
    else:
        form = wanted.form(train=found, units=access.person(request).units, initial=_asked(request))
        if len(form.front()) == 1:  # one box and a button: be there already
            form.fields[form.MAIN].widget.attrs["autofocus"] = True
    context = {"train": found, "act": wanted, "form": form, "last": getattr(form, "last", None)}
    return render(request, "cartridges/log/act.html", context)


def _asked(request: HttpRequest) -> dict[str, Any]:
    """What the address already says, such as the stage of a swap."""
    stage = request.GET.get("stage", "")
    return {"stage": int(stage)} if stage.isdecimal() else {}


def _save(request: HttpRequest, train: Train, wanted: Act) -> LogForm | None:
    """Save what was sent, whole or not at all; the form again where something is to be said.

    The train's row is held from before the form is weighed until after the fact is written, so
    that of two people who log at one moment the second is weighed against what the first wrote.
    """
    person = access.person(request)
    with transaction.atomic():
        Train.objects.select_for_update().get(pk=train.pk)
        form = wanted.form(request.POST, train=train, units=person.units)
        if not form.is_valid():
            return form
        if form.repeats is not None:
            say_repeated(request, form.repeats)
            return None
        try:
            with transaction.atomic():
                facts = write(form, by=person)
        except acts.ActError as refused:
            refuse(form, refused)
            return form
    estimates.settle(train)
    for other in acts.trains_of(facts[0]):
        if other.pk != train.pk:
            estimates.settle(other)
    say_saved(request, facts, said(form, facts))
    return None


def refuse(form: LogForm, refused: acts.ActError) -> None:
    """Say beside the field what could not be done; above the form where it has no such field."""
    form.add_error(refused.field if refused.field in form.fields else None, refused.message)
