"""What is on the shelf, in service and spent."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from cartridges.forms.shelf import BuyForm, CartridgeForm
from cartridges.models import Cartridge, CartridgeSpec, Estimate
from cartridges.services import acts, placements, specs
from cartridges.services.advice import stage_state
from cartridges.services.estimates import needs_refresh
from cartridges.services.placements import Stay
from hobbyhydro.households import access
from hobbyhydro.households.access import To

CARTRIDGES = Cartridge.objects.select_related("spec", "household")


@login_required
@require_safe
def shelf(request: HttpRequest) -> HttpResponse:
    """All cartridges of the household, by where they are."""
    household = access.household(request)
    spares: dict[CartridgeSpec, list[Cartridge]] = defaultdict(list)
    for cartridge in placements.shelf(household):
        spares[cartridge.spec].append(cartridge)
    stays = placements.household_stays(household)
    working = {s.cartridge.pk: s for s in stays if s.end is None}
    estimates = {e.stage_id: e for e in access.listed(request, Estimate).select_related("stage")}
    in_service = sorted(working.values(), key=lambda s: (s.stage.train_id, s.stage.position))
    trains = {s.stage.train_id: s.stage.train for s in in_service}
    stale = {pk: t for pk, t in trains.items() if needs_refresh(t)}
    taken_out = {s.cartridge.pk: s for s in stays if s.cartridge.pk not in working}
    thrown = access.listed(request, CARTRIDGES).filter(discarded_at__isnull=False)
    return render(
        request,
        "cartridges/shelf/shelf.html",
        {
            "spares": sorted(spares.items(), key=lambda item: str(item[0])),
            "in_service": [
                _working(stay, estimates.get(stay.stage.pk), stale=stay.stage.train_id in stale)
                for stay in in_service
            ],
            "stale": list(stale.values()),
            "taken_out": sorted(
                (s for s in taken_out.values() if s.cartridge.discarded_at is None),
                key=lambda s: s.end or s.start,
                reverse=True,
            ),
            "thrown": [
                {"cartridge": c, "stay": taken_out.get(c.pk)}
                for c in thrown.order_by("-discarded_at")
            ],
        },
    )


def _working(stay: Stay, estimate: Estimate | None, *, stale: bool) -> dict[str, Any]:
    """One cartridge at work: what was found for it, whether its planned day has come, and whether
    the figures are former ones."""
    due = estimate is not None and stage_state(estimate) == "now"
    return {"stay": stay, "estimate": estimate, "due": due, "stale": stale}


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def buy(request: HttpRequest) -> HttpResponse:
    """Put new cartridges on the shelf."""
    household = access.household(request, to=To.WRITE)
    form = BuyForm(
        request.POST or None, household=household, initial={"spec": request.GET.get("spec")}
    )
    if request.method == "POST" and form.is_valid():
        bought = acts.buy(household=household, **form.bought)
        messages.success(request, _on_the_shelf(bought))
        return redirect("shelf")
    return render(request, "cartridges/shelf/buy.html", {"form": form})


def _on_the_shelf(bought: list[Cartridge]) -> str:
    if len(bought) == 1:
        return f"{bought[0].spec} is on the shelf as no. {bought[0].number}."
    first, last = bought[0].number, bought[-1].number
    return f"{len(bought)} × {bought[0].spec} are on the shelf as nos. {first} to {last}."


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def cartridge_change(request: HttpRequest, cartridge: int) -> HttpResponse:
    """Price and day of purchase of one cartridge."""
    found = access.get(request, CARTRIDGES, cartridge, to=To.WRITE)
    form = CartridgeForm(request.POST or None, cartridge=found)
    if request.method == "POST" and form.is_valid():
        found.price = form.cleaned_data["price"]
        found.bought_on = form.cleaned_data["bought_on"]
        found.save(update_fields=["price", "bought_on"])
        messages.success(request, "Saved.")
        return redirect("shelf")
    return render(request, "cartridges/shelf/cartridge.html", {"cartridge": found, "form": form})


@login_required
@require_POST
def cartridge_discard(request: HttpRequest, cartridge: int) -> HttpResponse:
    """Throw one cartridge away; not one at work."""
    found = access.get(request, CARTRIDGES, cartridge, to=To.WRITE)
    if specs.at_work(found):
        messages.error(request, f"No. {found.number} is in service. Log its swap first.")
    else:
        acts.discard(found)
        messages.success(request, f"No. {found.number} is thrown away.")
    return redirect("shelf")


@login_required
@require_POST
def cartridge_restore(request: HttpRequest, cartridge: int) -> HttpResponse:
    """Thrown away by mistake: it is there again."""
    found = access.get(request, CARTRIDGES, cartridge, to=To.WRITE)
    specs.restore(found)
    messages.success(request, f"No. {found.number} is there again.")
    return redirect("shelf")
