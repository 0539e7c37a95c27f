"""Kinds of cartridge: the starter set, and what the household's own packages say."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cartridges.forms.spec import SpecForm
from cartridges.models import CartridgeSpec
from cartridges.services import specs as work
from hobbyhydro.households import access
from hobbyhydro.households.access import To


@login_required
@require_safe
def specs(request: HttpRequest) -> HttpResponse:
    """All kinds that the household can use."""
    household = access.household(request)
    rows = list(CartridgeSpec.objects.open_to(household))
    return render(
        request,
        "cartridges/specs/list.html",
        {
            "own": [s for s in rows if not s.is_starter],
            "starters": [s for s in rows if s.is_starter],
        },
    )


def _open(request: HttpRequest, pk: int | str) -> CartridgeSpec:
    """One kind that the household can use: its own or a starter."""
    household = access.household(request)
    return get_object_or_404(CartridgeSpec.objects.open_to(household), pk=pk)


def percent(share: float) -> str:
    return f"{100 * share:.4g}"


@login_required
@require_safe
def spec(request: HttpRequest, spec: int) -> HttpResponse:
    """All that is known of one kind."""
    found = _open(request, spec)
    household = access.household(request)
    return render(
        request,
        "cartridges/specs/spec.html",
        {
            "spec": found,
            "new_free": percent(found.free_reduction_new),
            "end_free": percent(found.free_reduction_end),
            "new_chloramine": percent(found.chloramine_reduction_new),
            "end_chloramine": percent(found.chloramine_reduction_end),
            "count": found.cartridges.filter(household=household).count(),
            "trains": work.trains_resting_on(found, household=household),
        },
    )


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def spec_new(request: HttpRequest) -> HttpResponse:
    """Another kind, from nothing or as a copy of one that is there."""
    household = access.household(request, to=To.WRITE)
    like_pk = request.GET.get("like", "")
    like = _open(request, like_pk) if like_pk.isdecimal() else None
    form = SpecForm(
        request.POST or None,
        units=access.person(request).units,
        like=like,
        initial={"name": f"{like}, my own"} if like else {},
    )
    if request.method == "POST" and form.is_valid():
        made = work.create(household, form.values)
        messages.success(request, f"{made} is among your kinds.")
        return redirect("spec", made.pk)
    return render(request, "cartridges/specs/edit.html", {"form": form, "like": like})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def spec_edit(request: HttpRequest, spec: int) -> HttpResponse:
    """Change one of the household's own kinds; the estimates that rest on it follow."""
    found = access.get(request, CartridgeSpec, spec, to=To.WRITE)
    form = SpecForm(request.POST or None, units=access.person(request).units, like=found)
    if request.method == "POST" and form.is_valid():
        trains = work.change(found, form.values)
        said = "Saved."
        if trains:
            names = ", ".join(train.name for train in trains)
            said = f"Saved. The estimates of {names} follow."
        messages.success(request, said)
        return redirect("spec", found.pk)
    trains = work.trains_resting_on(found)
    return render(
        request, "cartridges/specs/edit.html", {"form": form, "spec": found, "trains": trains}
    )


@login_required
@require_POST
def spec_remove(request: HttpRequest, spec: int) -> HttpResponse:
    """Take back a kind of which there is no cartridge."""
    found = access.get(request, CartridgeSpec, spec, to=To.WRITE)
    if work.remove(found):
        messages.success(request, f"{found} is removed.")
        return redirect("specs")
    messages.error(request, "There are cartridges of this kind, so it stays.")
    return redirect("spec", found.pk)
