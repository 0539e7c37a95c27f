"""What can be changed about a train that runs: its settings, its stages, its meter."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cartridges.forms import setup_train
from cartridges.forms.setup_flow import MeterForm
from cartridges.forms.shelf import RetireForm, StageForm
from cartridges.models import Meter, Stage, Train
from cartridges.services import acts, placements
from cartridges.services import stages as work
from hobbyhydro.households import access
from hobbyhydro.households.access import To

TRAINS = Train.objects.select_related("source", "household")
STAGES = Stage.objects.filter(retired_at__isnull=True).select_related("train__household")
METERS = Meter.objects.filter(withdrawn_at__isnull=True).select_related("train")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def settings(request: HttpRequest, train: int) -> HttpResponse:
    """Name, pressure, limits, policy and duty."""
    found = access.get(request, TRAINS, train, to=To.WRITE)
    units = access.person(request).units
    form = setup_train.TrainSettingsForm(
        request.POST or None, units=units, initial=setup_train.initial_of(found, units=units)
    )
    if request.method == "POST" and form.is_valid():
        work.change_train(found, form.values, by=access.person(request))
        messages.success(request, "Saved.")
        return redirect("train-settings", found.pk)
    return render(
        request, "cartridges/train_settings/settings.html", {"train": found, "form": form}
    )


@login_required
@require_safe
def stages(request: HttpRequest, train: int) -> HttpResponse:
    """The stages in the order of the water, and what each holds."""
    found = access.get(request, TRAINS, train)
    standing = work.standing(found)
    held = placements.in_service(found)
    rows = [{"stage": stage, "stay": held.get(stage.pk)} for stage in standing]
    retired = found.stages.filter(retired_at__isnull=False).order_by("-retired_at")
    return render(
        request,
        "cartridges/train_settings/stages.html",
        {
            "train": found,
            "rows": rows,
            "retired": retired,
            "full": len(standing) >= work.MOST_STAGES,
        },
    )


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def stage_new(request: HttpRequest, train: int) -> HttpResponse:
    """Put another stage into the train."""
    found = access.get(request, TRAINS, train, to=To.WRITE)
    standing = work.standing(found)
    if len(standing) >= work.MOST_STAGES:
        messages.error(request, f"A train has at most {work.MOST_STAGES} stages here.")
        return redirect("stages", found.pk)
    form = StageForm(request.POST or None, stages=standing)
    if request.method == "POST" and form.is_valid():
        stage = work.add(found, **form.cleaned_data)
        messages.success(
            request, f"Stage {stage.position} is there, and empty: log the cartridge you fit."
        )
        return redirect("stages", found.pk)
    return render(
        request, "cartridges/train_settings/stage_new.html", {"train": found, "form": form}
    )


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def stage_change(request: HttpRequest, stage: int) -> HttpResponse:
    """Another housing, or another kind."""
    found = access.get(request, STAGES, stage, to=To.WRITE)
    form = StageForm(request.POST or None, initial={"kind": found.kind, "housing": found.housing})
    if request.method == "POST" and form.is_valid():
        work.change(found, **form.cleaned_data)
        messages.success(request, f"Stage {found.position} is changed.")
        return redirect("stages", found.train_id)
    return render(
        request,
        "cartridges/train_settings/stage_change.html",
        {"train": found.train, "stage": found, "form": form},
    )


@login_required
@require_POST
def stage_move(request: HttpRequest, stage: int) -> HttpResponse:
    """One place forward or back in the water: asked first whether it is so now, or always was."""
    found = access.get(request, STAGES, stage, to=To.WRITE)
    by_places = {"up": -1, "down": 1}.get(request.POST.get("to", ""))
    other = None if by_places is None else work.neighbour(found, by_places=by_places)
    if by_places is None or other is None:
        messages.error(request, "It cannot move further that way.")
        return redirect("stages", found.train_id)
    when = request.POST.get("when")
    if when == "always":
        work.set_right(found, by_places=by_places)
    elif when == "now":
        work.trade_places(found, by_places=by_places, by=access.person(request))
    else:
        return render(
            request,
            "cartridges/train_settings/stage_move.html",
            {"train": found.train, "stage": found, "other": other, "to": request.POST["to"]},
        )
    return redirect("stages", found.train_id)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def stage_retire(request: HttpRequest, stage: int) -> HttpResponse:
    """Take a stage out of the train."""
    found = access.get(request, STAGES, stage, to=To.WRITE)
    stay = placements.in_service(found.train).get(found.pk)
    form = RetireForm(
        request.POST or None,
        holds=stay is not None,
        initial={"at": timezone.now(), "cartridge": "throw_away"},
    )
    if request.method == "POST" and form.is_valid():
        try:
            work.retire(
                found,
                at=form.cleaned_data["at"],
                by=access.person(request),
                throw_away=form.cleaned_data.get("cartridge") == "throw_away",
            )
        except acts.ActError as error:
            form.add_error(error.field if error.field in form.fields else None, error.message)
        else:
            messages.success(request, "The stage is out. Its history stays in the logbook.")
            return redirect("stages", found.train_id)
    return render(
        request,
        "cartridges/train_settings/stage_retire.html",
        {"train": found.train, "stage": found, "stay": stay, "form": form},
    )


@login_required
@require_safe
def meters(request: HttpRequest, train: int) -> HttpResponse:
    """The meters there have been, the one that counts now first."""
    found = access.get(request, TRAINS, train)
    rows = []
    for meter in METERS.filter(train=found).order_by("-fitted_at", "-pk"):
        last = meter.readings.standing().in_order().last()
        shows = meter.face(last.reading_l if last else meter.start_l)
        turn = meter.face(meter.rolls_over_at_l) if meter.rolls_over_at_l else ""
        rows.append({"meter": meter, "last": last, "shows": shows, "turn": turn})
    return render(request, "cartridges/train_settings/meters.html", {"train": found, "rows": rows})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def meter_new(request: HttpRequest, train: int) -> HttpResponse:
    """The first meter, or one in the place of another."""
    found = access.get(request, TRAINS, train, to=To.WRITE)
    last = METERS.filter(train=found).last()
    read = last.readings.standing().in_order().last() if last else None
    form = MeterForm(
        request.POST or None,
        train=found,
        last=last,
        last_at=None if last is None else (read.at if read else last.fitted_at),
        last_reading_l=None if last is None else (read.reading_l if read else last.start_l),
        initial={"unit": last.unit if last else "", "fitted_at": timezone.now()},
    )
    if request.method == "POST" and form.is_valid():
        work.fit_meter(form.meter, final_reading_l=form.final_reading_l, by=access.person(request))
        messages.success(request, "The meter is written down.")
        return redirect("meters", found.pk)
    return render(
        request,
        "cartridges/train_settings/meter_new.html",
        {"train": found, "last": last, "form": form},
    )


@login_required
@require_POST
def meter_remove(request: HttpRequest, meter: int) -> HttpResponse:
    """Take back a meter that was written down by mistake."""
    found = access.get(request, METERS, meter, to=To.WRITE)
    if work.remove_meter(found):
        messages.success(request, "The meter is taken back.")
    else:
        messages.error(request, "This meter has been read. Undo its readings first.")
    return redirect("meters", found.train_id)
