"""The household of the moment, what has happened to it, and the way to another one."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from . import access, invitations, people
from .access import To
from .forms import FoundForm, HouseholdForm
from .forms_people import InviteForm
from .models import Household, HouseholdEvent

NEWS = 8  # so many of the last events stand on the household's page
ON_A_PAGE = 50


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def household(request: HttpRequest) -> HttpResponse:
    """Who belongs here and what has happened; an owner changes name, time zone and currency."""
    home = access.household(request, to=To.GOVERN if request.method == "POST" else To.SEE)
    form = HouseholdForm(request.POST or None, instance=home)
    if request.method == "POST" and form.is_valid():
        form.save()
        for says in _changes(form):
            people.note(home, by=access.person(request), says=says)
        messages.success(request, "Saved. Dates and days are shown in this time zone from now on.")
        return redirect("household")
    if form.errors:
        home.refresh_from_db()
    return household_page(request, home, form=form)


def household_page(
    request: HttpRequest,
    home: Household,
    *,
    form: HouseholdForm | None = None,
    invite: InviteForm | None = None,
) -> HttpResponse:
    """The page, with what was typed where a form did not pass."""
    place = access.membership(request)
    context: dict[str, Any] = {
        "household": home,
        "form": form or HouseholdForm(instance=home),
        "places": home.memberships.select_related("person").order_by("since", "pk"),
        "may": people.MAY,
        "events": _events(request)[:NEWS],
    }
    if place.may_govern:
        context |= {
            "invite": invite or InviteForm(),
            "offers": [(i, invitations.state_of(i).value) for i in invitations.standing(home)],
        }
    return render(request, "households/household.html", context)


@login_required
@require_GET
def events(request: HttpRequest) -> HttpResponse:
    """All that has happened to the household, newest first."""
    home = access.household(request)
    page = Paginator(_events(request), ON_A_PAGE).get_page(request.GET.get("page"))
    return render(request, "households/events.html", {"household": home, "page": page})


@login_required
@require_POST
def switch(request: HttpRequest, household: int) -> HttpResponse:
    """Stand in another of one's own households."""
    wanted = next((p for p in access.places(request) if p.household_id == household), None)
    if wanted is None:
        raise Http404
    access.stand_in(request, wanted)
    messages.info(request, f"You are in {wanted.household} now.")
    return redirect("home")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def found(request: HttpRequest) -> HttpResponse:
    """Found a further household, and stand in it."""
    known = [p.household for p in access.places(request)][:1]
    like = {"time_zone": known[0].time_zone, "currency": known[0].currency} if known else {}
    form = FoundForm(request.POST or None, initial=like)
    if request.method == "POST" and form.is_valid():
        who = access.person(request)
        home = Household.found(owner=who, **form.cleaned_data)
        access.stand_in(request, home.memberships.select_related("household").get(person=who))
        messages.success(request, f"{home} is founded, and you are in it now.")
        return redirect("home")
    return render(request, "households/found.html", {"form": form})


def _events(request: HttpRequest) -> Any:
    return access.listed(request, HouseholdEvent).select_related("by")


def _changes(form: HouseholdForm) -> list[str]:
    """What an owner changed, a line each."""
    words = {
        "name": "The household is called {} now",
        "time_zone": "The time zone is {} now",
        "currency": "The currency is {} now",
        "plan_by": "Swaps are planned by another caution now: {}",
    }
    home = form.instance
    values = {**form.cleaned_data, "plan_by": home.get_plan_by_display().lower()}
    return [words[name].format(values[name]) for name in form.changed_data if name in words]
