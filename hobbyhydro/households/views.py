"""Pages about the person who reads, and what to be careful of."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from . import access
from .forms import PersonForm


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


@require_safe
def cautions(request: HttpRequest) -> HttpResponse:
    """What to be careful of, for anybody who reads."""
    return render(request, "households/cautions.html")
