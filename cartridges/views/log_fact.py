"""One fact: what it says, its whole history, its correction, undo, and the undo taken back."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from cartridges.forms.log_base import LogForm, fact_address
from cartridges.forms.log_kinds import CORRECTIONS
from cartridges.models import Fact, SwitchPeriod, Train
from cartridges.services import acts, beginnings, estimates, logbook
from cartridges.services.contradictions import refuse_contradiction
from hobbyhydro.households import access
from hobbyhydro.households.access import To

from .log import refuse
from .log_said import say_saved, say_undone
from .log_write import write_correction


def fact_of(request: HttpRequest, kind: str, pk: int, *, to: To = To.SEE) -> Fact:
    """The fact of that kind, by the only door."""
    model = logbook.KINDS.get(kind)
    if model is None:
        raise Http404
    rows = model.rows().select_related(
        "logged_by", "withdrawn_by", "replaces", *logbook.RELATED.get(kind, ())
    )
    found: Fact = access.get(request, rows, pk, to=to)
    return found


def train_of(request: HttpRequest, fact: Fact) -> Train:
    """The train whose pages the fact is read from: its own, or the first that it concerns."""
    trains = acts.trains_of(fact)
    if not trains:
        raise Http404
    return access.get(request, Train.objects.select_related("source", "household"), trains[0].pk)


@login_required
@require_GET
def fact(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """What was logged, who and when, and every version of it."""
    found = fact_of(request, kind, pk)
    versions = logbook.history(found)
    context = {
        "fact": found,
        "train": train_of(request, found),
        "name": logbook.name_of(found),
        "versions": [
            {"fact": each, "words": each.summary(units=access.person(request).units)}
            for each in versions
        ],
        "newest": versions[0],
        "act": [_told(request, each) for each in logbook.same_act(found) if each.pk != found.pk],
        "correct_at": _correct_at(found),
        "words": found.summary(units=access.person(request).units),
    }
    return render(request, "cartridges/log/fact.html", context)


def _correct_at(found: Fact) -> str:
    """Where this fact is corrected; empty where that is not done from its page."""
    if isinstance(found, SwitchPeriod):
        return reverse("switch-correct", args=[found.pk])
    return fact_address(found, "fact-correct") if found.KIND in CORRECTIONS else ""


def _told(request: HttpRequest, each: Fact) -> dict[str, Any]:
    return {"fact": each, "words": each.summary(units=access.person(request).units)}


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def correct(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Put a fact right; the old one stays beside it."""
    found = fact_of(request, kind, pk, to=To.WRITE)
    if kind not in CORRECTIONS:
        raise Http404
    if not found.stands:
        messages.warning(request, "This entry does not hold any more, so it cannot be corrected.")
        return redirect("fact", kind=kind, pk=pk)
    train = train_of(request, found)
    if request.method == "POST":
        form, fresh = _save_correction(request, train, found)
        if fresh is not None:
            return redirect("fact", kind=kind, pk=fresh.pk)
    else:
        form = CORRECTIONS[kind](train=train, units=access.person(request).units, fact=found)
    context = {"train": train, "fact": found, "form": form, "name": logbook.NAMES[kind]}
    context["words"] = found.summary(units=access.person(request).units)
    return render(request, "cartridges/log/correct.html", context)


def _save_correction(
    request: HttpRequest, train: Train, found: Fact
) -> tuple[LogForm, Fact | None]:
    person = access.person(request)
    with transaction.atomic():
        Train.objects.select_for_update().get(pk=train.pk)
        form = CORRECTIONS[found.KIND](request.POST, train=train, units=person.units, fact=found)
        if not form.is_valid():
            return form, None
        if not form.is_changed():
            form.add_error(None, "Nothing is different yet. Change what is wrong, then save.")
            return form, None
        try:
            with transaction.atomic():
                fresh = write_correction(form, by=person, why=form.cleaned_data["why"])
        except acts.ActError as refused:
            refuse(form, refused)
            return form, None
    _settle(fresh)
    say_saved(request, [fresh], "The old entry is kept.", verb="Corrected")
    return form, fresh


@login_required
@require_POST
def undo(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Take a fact, and what was one act with it, out of every calculation."""
    found = fact_of(request, kind, pk, to=To.WRITE)
    train = train_of(request, found)
    why = request.POST.get("why", "")[:200]
    try:
        with transaction.atomic():
            undone = acts.undo(found, by=access.person(request), why=why)
            beginnings.follow(found, was=found.at, by=access.person(request))
            refuse_contradiction(found)
    except acts.ActError as refused:
        messages.error(request, f"This was not undone. {refused.message}")
        return redirect("fact", kind=kind, pk=pk)
    if undone:
        _settle(found)
        say_undone(request, undone)
    else:
        messages.info(request, "This entry was undone or corrected already.")
    return _back(request, train, found)


@login_required
@require_POST
def redo(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Take an undo back: the fact holds again."""
    found = fact_of(request, kind, pk, to=To.WRITE)
    train = train_of(request, found)
    if found.stands:
        messages.info(request, "This entry holds already.")
        return _back(request, train, found)
    try:
        with transaction.atomic():
            redone = acts.redo(found, by=access.person(request))
            beginnings.follow(found, by=access.person(request))
            refuse_contradiction(found)
    except acts.ActError as refused:
        messages.error(request, f"This does not hold again. {refused.message}")
        return redirect("fact", kind=kind, pk=pk)
    _settle(found)
    say_saved(request, redone, "", verb="It holds again")
    return _back(request, train, found)


def _settle(fact: Fact) -> None:
    for train in acts.trains_of(fact):
        estimates.settle(train)


def _back(request: HttpRequest, train: Train, fact: Fact) -> HttpResponse:
    """Where the button was: the fact's own page, or the train's."""
    if request.POST.get("from") == "fact":
        return redirect("fact", kind=fact.KIND, pk=fact.pk)
    return redirect("train", train=train.pk)
