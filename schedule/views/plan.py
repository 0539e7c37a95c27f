"""The plan of a train, the rules it is made by, and the spares that it needs."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from cartridges.models import Train
from hobbyhydro.households import access
from hobbyhydro.households.access import To
from schedule.forms.plan import PolicyForm, RulesForm
from schedule.models import PlanSummary
from schedule.services import costs, plan_chart, plan_page
from schedule.services import plan as planning
from schedule.services import spares as shelf

TRAINS = Train.objects.select_related("household", "source", "plan")


@login_required
@require_safe
def plan(request: HttpRequest, train: int) -> HttpResponse:
    """What lies ahead of one train. Where the model has to run first, the page asks for that."""
    found = access.get(request, TRAINS, train)
    behind = not planning.is_quick(found)
    summary = planning.kept(found) if behind else planning.ensure(found, just_read=True)
    context = {
        "train": found,
        "behind": behind,
        "summary": summary,
        "caution": plan_page.caution(found.household),
        "several": access.listed(request, Train).exclude(pk=found.pk),
    }
    if summary is not None:
        context |= _shown(found, summary, units=access.person(request).units)
    return render(request, "schedule/plan.html", context)


def _shown(train: Train, summary: PlanSummary, *, units: str) -> dict[str, Any]:
    today = timezone.localdate()
    visits = plan_page.visits_of(train, today=today)
    return {
        "today": today,
        "problem": summary.details.get("problem", ""),
        "visits": visits,
        "first_order": plan_page.first_order(visits),
        "charts": plan_chart.charts(train, visits, summary, today=today),
        "comparison": plan_page.comparison(
            train, summary, currency=train.household.currency, units=units
        ),
        "unheld": plan_page.unheld_periods(summary),
        "cut_off_on": plan_page.cut_off_on(summary),
    }


@login_required
@require_POST
def renew(request: HttpRequest, train: int) -> HttpResponse:
    """Make the plan anew. It changes no fact, so anybody who sees it may ask."""
    found = access.get(request, TRAINS, train)
    planning.ensure(found)
    if getattr(request, "htmx", False):
        return HttpResponseClientRefresh()
    return redirect(_back(request, otherwise=reverse("plan", args=[found.pk])))


@login_required
@require_POST
def policy(request: HttpRequest, train: int) -> HttpResponse:
    """Look after the train the other way."""
    found = access.get(request, TRAINS, train, to=To.WRITE)
    form = PolicyForm(request.POST)
    if form.is_valid():
        planning.set_policy(found, form.cleaned_data["policy"])
        name = plan_page.POLICY_NAMES[Train.Policy(found.policy)]
        messages.success(request, f"{found.name} is planned by {name} from now on.")
    else:
        messages.error(request, "There are two ways to look after a train. Choose one of them.")
    return redirect("plan", found.pk)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def rules(request: HttpRequest) -> HttpResponse:
    """Lead times and prices of the household."""
    household = access.household(request, to=To.WRITE)
    kept = costs.rules_of(household)
    form = RulesForm(
        request.POST or None,
        rules=kept,
        currency=household.currency,
        unpriced=shelf.unpriced(household),
        units=access.person(request).units,
    )
    back = _back(request, otherwise=reverse("spares"))
    if request.method == "POST" and form.is_valid():
        costs.keep_rules(kept, form.values)
        messages.success(request, "Saved. Your plans follow these from now on.")
        return redirect(back)
    return render(request, "schedule/plan_rules.html", {"form": form, "back": back})


def _back(request: HttpRequest, *, otherwise: str) -> str:
    """The page that led here, where it is one of ours."""
    said = request.POST.get("back") or request.GET.get("back") or ""
    ours = url_has_allowed_host_and_scheme(said, allowed_hosts=None)
    return said if ours and said.startswith("/") else otherwise


@login_required
@require_safe
def spares(request: HttpRequest) -> HttpResponse:
    """What lies on the shelf, what it is for, and what to order by when."""
    household = access.household(request)
    behind = planning.ensure_quick(household)
    ground = planning.ground_of(household)
    kinds = shelf.kinds_of_spares(
        shelf.planned_swaps(household), shelf=ground.shelf, prices=ground.prices
    )
    today = timezone.localdate()
    return render(
        request,
        "schedule/spares.html",
        {
            "kinds": kinds,
            "behind": behind,
            "rules": ground.rules,
            "today": today,
            "soon": today + shelf.SOON,
            "trains": list(access.listed(request, Train)),
        },
    )
