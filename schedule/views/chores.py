"""Chores: the page of what is to be done, and each chore with its history."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from hobbyhydro.households import access
from hobbyhydro.households.access import To
from schedule.forms.chores import ChoreForm, PutOffForm, SkipForm
from schedule.models import Chore
from schedule.services import chore_acts, chore_page, chores, recurrence

CHORES = Chore.objects.select_related("train", "household")
SHOWN_TURNS = 60
NEXT_SHOWN = 4


@login_required
@require_safe
def overview(request: HttpRequest) -> HttpResponse:
    """Today, soon, later, done lately, and all chores there are."""
    return page(request)


def page(
    request: HttpRequest, *, turn: int = 0, skip: SkipForm | None = None,
    put_off: PutOffForm | None = None,
) -> HttpResponse:  # fmt: skip
    """The page; with one turn's form as it was sent, where something is to be said about it."""
    household = access.household(request)
    today = timezone.localdate()
    context = {
        "ahead": chore_page.ahead(household, today=today),
        "lately": chores.done_lately(household, since=timezone.now() - chore_page.LATELY),
        "all": chore_page.every_chore(household),
        "asked": turn,
        "asked_skip": skip,
        "asked_put_off": put_off,
        "skip_form": SkipForm(),
        "put_off_form": PutOffForm(),
    }
    return render(request, "schedule/chores/chores.html", context)


@login_required
@require_safe
def chore(request: HttpRequest, chore: int) -> HttpResponse:
    """One chore: how and how often, when next, and what became of it so far."""
    found = access.get(request, CHORES, chore)
    today = timezone.localdate()
    coming = []
    if found.occasion == Chore.Occasion.INTERVAL and found.removed_at is None:
        coming = recurrence.next_days(found.rule, start=found.start, after=today, count=NEXT_SHOWN)
    context = {
        "chore": found,
        "when": chore_page.when_words(found),
        "coming": coming if not found.paused else [],
        "log_url": chores.log_address(found),
        "history": chores.history(found)[:SHOWN_TURNS],
        "train": found.train,
    }
    return render(request, "schedule/chores/chore.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """A chore of the household's own."""
    household = access.household(request, to=To.WRITE)
    form = ChoreForm(request.POST or None, household=household)
    if request.method == "POST" and form.is_valid():
        made = Chore.objects.create(household=household, **form.changes())
        messages.success(request, f"Saved: {made.title}, {chore_page.when_words(made)}.")
        return redirect("chores")
    return render(request, "schedule/chores/edit.html", {"form": form, "chore": None})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request: HttpRequest, chore: int) -> HttpResponse:
    """Change a chore; its history stays."""
    found = access.get(request, CHORES, chore, to=To.WRITE)
    form = ChoreForm(request.POST or None, household=found.household, chore=found)
    if request.method == "POST" and form.is_valid():
        changes = form.changes()
        for name, value in changes.items():
            setattr(found, name, value)
        found.save(update_fields=list(changes))
        messages.success(request, f"Saved: {found.title}, {chore_page.when_words(found)}.")
        return redirect("chore", found.pk)
    return render(request, "schedule/chores/edit.html", {"form": form, "chore": found})


@login_required
@require_POST
def pause(request: HttpRequest, chore: int) -> HttpResponse:
    """No turns until it is resumed."""
    found = access.get(request, CHORES, chore, to=To.WRITE)
    chore_acts.pause(found)
    messages.success(request, f"Paused: {found.title}.")
    return redirect("chore", found.pk)


@login_required
@require_POST
def resume(request: HttpRequest, chore: int) -> HttpResponse:
    """Turns again, from today."""
    found = access.get(request, CHORES, chore, to=To.WRITE)
    chore_acts.resume(found, by=access.person(request), today=timezone.localdate())
    messages.success(request, f"Resumed: {found.title}.")
    return redirect("chore", found.pk)


@login_required
@require_POST
def remove(request: HttpRequest, chore: int) -> HttpResponse:
    """No more turns; what was done stays written down."""
    found = access.get(request, CHORES, chore, to=To.WRITE)
    chore_acts.remove(found)
    messages.success(request, f"Removed: {found.title}. You can bring it back from this page.")
    return redirect("chores")


@login_required
@require_POST
def bring_back(request: HttpRequest, chore: int) -> HttpResponse:
    """Have a removed chore again."""
    found = access.get(request, CHORES, chore, to=To.WRITE)
    chore_acts.bring_back(found, by=access.person(request), today=timezone.localdate())
    messages.success(request, f"Back again: {found.title}.")
    return redirect("chore", found.pk)
