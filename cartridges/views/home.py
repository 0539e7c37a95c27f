"""Home, one train's page, and their recalculation: is it safe, what is next, what changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_GET, require_POST
from django_htmx.http import trigger_client_event

from cartridges.models import Train
from cartridges.services import advice, charts, doubts, estimates, likely, measures
from cartridges.services.flow_words import why_not_rated
from cartridges.services.latest import Entry, latest
from cartridges.services.overview import TrainNow, look_at
from cartridges.services.picture import pictures
from hobbyhydro.households import access

RECALCULATED = "recalculated"  # the event by which other parts of the page know of new numbers
LONG_TRAIN = 5  # from so many stages on, the picture runs top to bottom on any screen


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    """The household's trains: a full face for one, a card each for several."""
    if not request.user.is_authenticated:
        return render(request, "households/landing.html")
    if not access.places(request):
        return redirect("household-new")
    trains = list(access.listed(request, Train.objects.select_related("source")))
    if not trains:
        if access.membership(request).may_write:
            return redirect("setup-start")
        return render(request, "cartridges/home_empty.html")
    if len(trains) == 1:
        return _train_page(request, trains[0])
    faces = [face(now, request) for now in look_at(trains, whole=False)]
    entries = [_told(e, request) for e in latest(trains, count=5)]
    context = {"faces": faces, "entries": entries, "train": trains[0], "meaning": likely.MEANING}
    return render(request, "cartridges/home.html", context)


@login_required
@require_GET
def train(request: HttpRequest, train: int) -> HttpResponse:
    return _train_page(request, _train(request, train))


@login_required
@require_GET
def train_charts(request: HttpRequest, train: int) -> HttpResponse:
    """The train's charts: a part of its page, or a page of their own where no script runs."""
    found = _train(request, train)
    whole = not getattr(request, "htmx", False)
    context = {
        "train": found,
        "stale": estimates.needs_refresh(found),
        "charts": charts.train_charts(found, units=access.person(request).units),
    }
    name = "cartridges/train_charts.html" if whole else "cartridges/parts/charts.html"
    return render(request, name, context)


@login_required
@require_POST
def recalculate(request: HttpRequest, train: int) -> HttpResponse:
    """Bring a train's estimates up to date. It changes no fact, so anybody who sees it may ask."""
    found = _train(request, train)
    estimates.refresh(found)
    back = request.POST.get("back", "")
    if not getattr(request, "htmx", False):
        if url_has_allowed_host_and_scheme(back, allowed_hosts=None) and back.startswith("/"):
            return redirect(back)
        return redirect("train", train=found.pk)
    shown = request.POST.get("shown")
    if shown == "page":  # the page fetches itself again, at the event
        return trigger_client_event(HttpResponse(status=204), RECALCULATED)
    [now] = look_at([found])
    name, context = (
        ("cartridges/parts/train_card.html", {"face": face(now, request)})
        if shown == "card"
        else ("cartridges/parts/train_face.html", _page(request, now))
    )
    return trigger_client_event(render(request, name, context), RECALCULATED)


def face(now: TrainNow, request: HttpRequest) -> dict[str, Any]:
    """What a template shows of one train."""
    act = advice.next_act(now)
    return {
        "now": now,
        "train": now.train,
        "stale": estimates.needs_refresh(now.train),
        "verdict": advice.verdict(now),
        "act": act,
        "span": likely.span(act.spread) if act and act.spread else "",
        "why_planned": likely.why_planned_then(now) if act and act.spread else "",
        "meaning": likely.MEANING,
        "flow_why": why_not_rated(now, units=access.person(request).units),
        "sure": doubts.how_sure(now),
        "pictures": pictures(now, units=access.person(request).units),
        "long": len(now.stages) >= LONG_TRAIN,
    }


def _train(request: HttpRequest, pk: int) -> Train:
    return access.get(request, Train.objects.select_related("source"), pk)


def _train_page(request: HttpRequest, found: Train) -> HttpResponse:
    [now] = look_at([found])
    return render(request, "cartridges/train.html", _page(request, now))


def _page(request: HttpRequest, now: TrainNow) -> dict[str, Any]:
    return {
        "face": face(now, request),
        "train": now.train,
        "rows": stage_rows(now),
        "contact_in_all": measures.contact_in_all(now),
        "entries": [_told(e, request) for e in latest([now.train], count=4)],
    }


def stage_rows(now: TrainNow) -> Sequence[dict[str, Any]]:
    """One row a stage: its figures, and how they stand against their limits."""
    return [
        {
            "now": stage,
            "stage": stage.stage,
            "estimate": stage.estimate,
            "state": advice.stage_state(stage.estimate),
            "word": advice.STATE_WORDS[advice.stage_state(stage.estimate)],
            "contact": measures.contact_of(now, stage),
            "lives": measures.lives(stage.estimate),
            "spread": likely.span_of(stage.estimate) if stage.estimate else "",
            "why": advice.why(stage.estimate.cause, now=now, stage=stage) if stage.estimate else "",
        }
        for stage in now.stages
    ]


def _told(entry: Entry, request: HttpRequest) -> dict[str, Any]:
    return {
        "kind": entry.kind,
        "pk": entry.pk,
        "logged_at": entry.logged_at,
        "for_day": entry.at if entry.is_of_another_day else None,
        "who": entry.who,
        "train": entry.train,
        "words": entry.words(access.person(request).units),
    }
