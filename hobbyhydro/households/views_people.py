"""What an owner decides about the people of the household, and what each decides for themselves."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from . import access, people
from .access import To
from .forms_people import HandOverForm, RoleForm
from .models import Membership
from .people import PeopleError

PLACES = Membership.objects.select_related("person", "household")


@login_required
@require_POST
def member_role(request: HttpRequest, member: int) -> HttpResponse:
    """Let somebody do more or less."""
    place = access.get(request, PLACES, member, to=To.GOVERN)
    form = RoleForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Choose owner, keeper or viewer. Nothing was changed.")
        return redirect("household")
    try:
        fresh = people.set_role(place, form.cleaned_data["role"], by=access.person(request))
    except PeopleError as refused:
        messages.error(request, refused.message)
    else:
        messages.success(request, f"{fresh.person} is {people.AS[fresh.role]} now.")
    return redirect("household")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def member_remove(request: HttpRequest, member: int) -> HttpResponse:
    """Take somebody out of the household, after a page that asks whether that is meant."""
    place = access.get(request, PLACES, member, to=To.GOVERN)
    if place.person_id == access.person(request).pk:
        return redirect("leave")
    if request.method == "POST":
        try:
            people.remove(place, by=access.person(request))
        except PeopleError as refused:
            messages.error(request, refused.message)
        else:
            messages.success(request, f"{place.person} does not belong here any more.")
        return redirect("household")
    return render(request, "households/remove.html", {"place": place})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def leave(request: HttpRequest) -> HttpResponse:
    """Leave the household, after a page that asks whether that is meant."""
    home = access.household(request)
    place = access.membership(request)
    if request.method == "POST":
        try:
            people.leave(place)
        except PeopleError as refused:
            messages.error(request, refused.message)
            return redirect("household")
        messages.success(request, f"You do not belong to {home} any more.")
        return redirect("home")
    return render(request, "households/leave.html", {"household": home})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def hand_over(request: HttpRequest) -> HttpResponse:
    """Make somebody else an owner in one's own place."""
    home = access.household(request, to=To.GOVERN)
    place = access.membership(request)
    form = HandOverForm(request.POST or None, place=place)
    if request.method == "POST" and form.is_valid():
        then, to = form.cleaned_data["then"], form.cleaned_data["to"]
        try:
            people.hand_over(place, to=to, then=then)
        except PeopleError as refused:
            form.add_error(refused.field or None, refused.message)
        else:
            messages.success(request, f"{to.person} owns {home} now.")
            return redirect("home" if then == people.GONE else "household")
    return render(request, "households/hand_over.html", {"form": form, "household": home})
