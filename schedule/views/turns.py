"""What is done with one turn of a chore. Of two people who do the same, the second is told."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from hobbyhydro.households import access
from hobbyhydro.households.access import To
from schedule.forms.chores import PutOffForm, SkipForm
from schedule.models import ChoreTurn
from schedule.services import chore_acts
from schedule.services.chore_acts import TurnError

from . import chores

TURNS = ChoreTurn.objects.select_related("chore__household", "chore__train", "state_by")


def turn_to_write(request: HttpRequest, pk: int) -> ChoreTurn:
    return access.get(request, TURNS, pk, to=To.WRITE)


@login_required
@require_POST
def done(request: HttpRequest, turn: int) -> HttpResponse:
    """It is done."""
    found = turn_to_write(request, turn)
    try:
        chore_acts.done(found, by=access.person(request))
        messages.success(request, f"Done: {found.chore.title}.")
    except TurnError as told:
        messages.info(request, str(told))
    return redirect("chores")


@login_required
@require_POST
def skip(request: HttpRequest, turn: int) -> HttpResponse:
    """Left out this time, with the reason."""
    found = turn_to_write(request, turn)
    form = SkipForm(request.POST)
    if not form.is_valid():
        return chores.page(request, turn=found.pk, skip=form)
    try:
        chore_acts.skip(found, by=access.person(request), reason=form.cleaned_data["reason"])
        messages.success(request, f"Skipped this time: {found.chore.title}.")
    except TurnError as told:
        messages.info(request, str(told))
    return redirect("chores")


@login_required
@require_POST
def put_off(request: HttpRequest, turn: int) -> HttpResponse:
    """To be done on another day, with the reason."""
    found = turn_to_write(request, turn)
    form = PutOffForm(request.POST)
    if not form.is_valid():
        return chores.page(request, turn=found.pk, put_off=form)
    try:
        to = form.cleaned_data["to"]
        chore_acts.put_off(
            found, to=to, by=access.person(request), reason=form.cleaned_data["reason"]
        )
        messages.success(request, f"Put off to {to:%-d %b %Y}: {found.chore.title}.")
    except TurnError as told:
        messages.info(request, str(told))
    return redirect("chores")


@login_required
@require_POST
def reopen(request: HttpRequest, turn: int) -> HttpResponse:
    """Not done after all."""
    found = turn_to_write(request, turn)
    try:
        chore_acts.reopen(found)
        messages.success(request, f"To do again: {found.chore.title}.")
    except TurnError as told:
        messages.info(request, str(told))
    return redirect("chores")
