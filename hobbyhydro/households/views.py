"""Pages about the person who reads, their household, and what to be careful of."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from . import access
from .access import To
from .forms import HouseholdForm, PersonForm


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def person(request: HttpRequest) -> HttpResponse:
    """Name, units and colours of the signed-in person; nobody else's can be reached."""
    who = access.person(request)
    form = PersonForm(request.POST or None, instance=who)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved.")
        return redirect("person")
    if form.errors:
        who.refresh_from_db()  # a refused form leaves the page as it was
    return render(request, "households/person.html", {"form": form})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def household(request: HttpRequest) -> HttpResponse:
    """Name, time zone and currency, which an owner may change, and who belongs here."""
    home = access.household(request, to=To.GOVERN if request.method == "POST" else To.SEE)
    form = HouseholdForm(request.POST or None, instance=home)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved. Dates and days are shown in this time zone from now on.")
        return redirect("household")
    if form.errors:
        home.refresh_from_db()
    places = home.memberships.select_related("person").order_by("since", "pk")
    return render(
        request, "households/household.html", {"form": form, "household": home, "places": places}
    )


@require_safe
def cautions(request: HttpRequest) -> HttpResponse:
    """What to be careful of, for anybody who reads."""
    return render(request, "households/cautions.html")
