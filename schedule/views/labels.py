"""The page of labels to print and stick on the housings."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from cartridges.models import Train
from hobbyhydro.households import access
from schedule.services import labels as service
from schedule.services import plan

PAPERS = {"letter": "Letter", "a4": "A4"}
FLOWS = {"right": "left to right", "left": "right to left"}


@login_required
@require_safe
def labels(request: HttpRequest, train: int) -> HttpResponse:
    """One label a housing, on the paper and for the direction that were asked for."""
    found = access.get(request, Train.objects.select_related("household"), train)
    usual = "letter" if access.person(request).units == "us" else "a4"
    paper = request.GET.get("paper", usual)
    flow = request.GET.get("flow", "right")
    plan.ensure(found)
    context = {
        "train": found,
        "labels": service.labels(found, absolute=request.build_absolute_uri),
        "paper": paper if paper in PAPERS else usual,
        "papers": PAPERS,
        "flow": flow if flow in FLOWS else "right",
        "flows": FLOWS,
        "printed_on": timezone.localdate(),
    }
    return render(request, "schedule/labels/labels.html", context)
