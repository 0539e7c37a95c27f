"""One stage: the figure, why, how sure; what it rests on; what sat in it before."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from cartridges.forms.own_figure import OwnFigureForm
from cartridges.models import Estimate, OwnFigure, Stage
from cartridges.services import acts, advice, charts_stage, doubts, estimates, likely, measures
from cartridges.services.overview import StageNow, TrainNow, look_at
from cartridges.services.picture import level_of
from cartridges.services.stage_story import Assumption, assumptions, history
from cartridges.services.timeline import Timeline
from hobbyhydro.households import access
from hobbyhydro.households.access import To

STAGES = Stage.objects.select_related("train__source", "train__household")


@login_required
@require_GET
def stage(request: HttpRequest, stage: int) -> HttpResponse:
    return _page(request, access.get(request, STAGES, stage))


@login_required
@require_POST
def own_figure(request: HttpRequest, stage: int, figure: str) -> HttpResponse:
    """Put the keeper's own number in the place of an assumed one, for this kind of cartridge."""
    found = access.get(request, STAGES, stage, to=To.WRITE)
    held = _held(found)
    if figure not in OwnFigure.Figure.values or held is None or held.estimate is None:
        raise Http404
    form = OwnFigureForm(request.POST, figure=figure, units=access.person(request).units)
    if not form.is_valid():
        return _page(request, found, typed={figure: form}, status=422)
    acts.log(
        OwnFigure(
            household=access.household(request),
            spec=held.estimate.cartridge.spec,
            figure=figure,
            value=form.cleaned_data["value"],
            remark=form.cleaned_data["remark"],
            at=timezone.now(),
        ),
        by=access.person(request),
    )
    estimates.settle(found.train)
    messages.success(request, "Your own figure is in use. The estimate follows it.")
    return redirect("stage", stage=found.pk)


@login_required
@require_POST
def own_figure_remove(request: HttpRequest, figure: int) -> HttpResponse:
    """Go back to what the package says or the model assumes."""
    found = access.get(request, OwnFigure.objects.standing(), figure, to=To.WRITE)
    acts.undo(found, by=access.person(request), why="own figure removed")
    back = request.POST.get("stage", "")
    messages.success(request, "Your own figure is no longer used.")
    if back.isdecimal():
        stage = access.get(request, STAGES, int(back))
        estimates.settle(stage.train)
        return redirect("stage", stage=stage.pk)
    return redirect("home")


def _held(found: Stage) -> StageNow | None:
    [now] = look_at([found.train])
    return next((s for s in now.stages if s.stage.pk == found.pk), None)


def _page(
    request: HttpRequest,
    found: Stage,
    *,
    typed: dict[str, OwnFigureForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    units = access.person(request).units
    [now] = look_at([found.train])
    here = next((s for s in now.stages if s.stage.pk == found.pk), StageNow(found, None, None, {}))
    line = Timeline(found.train, timezone.now())
    context: dict[str, Any] = {
        "stage": found,
        "train": found.train,
        "now": now,
        "here": here,
        "estimate": here.estimate,
        "stale": estimates.needs_refresh(found.train),
        "typed": bool(typed),  # what was typed must not be swept away by new numbers
        "history": history(found, line=line),
        "sure": doubts.how_sure(now),
    }
    if here.estimate is not None:
        context |= _found(now, here, line, units=units, typed=typed or {})
    return render(request, "cartridges/stage.html", context, status=status)


def _found(
    now: TrainNow,
    here: StageNow,
    line: Timeline,
    *,
    units: str,
    typed: dict[str, OwnFigureForm],
) -> dict[str, Any]:
    """What there is to show where an estimate was made."""
    estimate = here.estimate
    assert estimate is not None  # the caller looked
    return {
        "state": advice.stage_state(estimate),
        "word": advice.STATE_WORDS[advice.stage_state(estimate)],
        "spread": likely.span_of(estimate),
        "meaning": likely.MEANING,
        "plan_chance": likely.plan_chance(now),
        "life_left": round(100 * level_of(estimate, moment=line.now).p50),
        "why": advice.why(estimate.cause, now=now, stage=here),
        "remaining": _in_percent(estimate),
        "contact": measures.contact_of(now, here),
        "lives": measures.lives(estimate),
        "charts": charts_stage.charts(estimate, line=line, units=units),
        "assumptions": [
            {"a": a, "form": _form(a, units, typed), "open": a.figure in typed}
            for a in assumptions(estimate, line=line, units=units)
        ],
    }


def _form(row: Assumption, units: str, typed: dict[str, OwnFigureForm]) -> OwnFigureForm | None:
    """What was typed and refused, or a fresh form that shows the keeper's figure of now."""
    if not row.replaceable:
        return None
    held = {"value": row.own.value, "remark": row.own.remark} if row.own else None
    return typed.get(row.figure) or OwnFigureForm(figure=row.figure, units=units, initial=held)


def _in_percent(estimate: Estimate) -> tuple[int, ...] | None:
    """Middle, low and high tenth of the capacity left."""
    found = (estimate.remaining_p50, estimate.remaining_p10, estimate.remaining_p90)
    known = [round(100 * value) for value in found if value is not None]
    return tuple(known) if len(known) == len(found) else None
