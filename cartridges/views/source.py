"""The tap: what it delivers, what the keeper states of it, and the utility's switch periods."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from cartridges.forms.source import SourceForm, SwitchForm
from cartridges.models import Disinfectant, HistoryImport, Source, SourceReading, SwitchPeriod
from cartridges.physics.source import MRDL_MG_L
from cartridges.services import estimates, history_import, source_water, switches
from cartridges.services.acts import ActError
from cartridges.services.source_chart import source_chart
from hobbyhydro.households import access
from hobbyhydro.households.access import To

A_PAGE = 25


@login_required
@require_GET
def show(request: HttpRequest, source: int) -> HttpResponse:
    """What the tap delivers, its tests, its switch periods and its imports."""
    tap = access.get(request, Source.objects.select_related("household"), source)
    now = timezone.now()
    readings = tap.readings.filter(withdrawn_at__isnull=True).order_by("-at", "-pk")
    standing, undone = [], []
    switches = list(tap.switches.select_related("replaces").order_by("-at", "-pk"))
    corrected = {switch.replaces_id for switch in switches if switch.stands}
    for switch in switches:
        if switch.stands:
            standing.append(switch)
        elif switch.pk not in corrected:
            undone.append(switch)
    context = {
        "source": tap,
        "now": now,
        "limit_mg_l": MRDL_MG_L,
        "figures": source_water.figures(tap, now=now),
        "average": source_water.year_average(tap, now=now),
        "level": source_water.level_now(tap, now=now),
        "ends": source_water.old_end(tap, source_water.last_test(tap, now=now), now=now),
        "tests": readings.exclude(origin=SourceReading.Origin.TYPICAL).count(),
        "chart": source_chart(tap, now=now),
        "page": Paginator(readings, A_PAGE).get_page(request.GET.get("page")),
        "switches": standing,
        "undone_switches": undone,
        "imports": _imports(tap),
        "trains": list(tap.trains.all()),
        "may_write": access.membership(request).may_write,
    }
    return render(request, "cartridges/source/source.html", context)


@login_required
@require_http_methods(["GET", "POST"])
def edit(request: HttpRequest, source: int) -> HttpResponse:
    """Change what is stated of the tap."""
    tap = access.get(request, Source, source, to=To.WRITE)
    units = access.person(request).units
    form = SourceForm(_sent(request), units=units, initial=SourceForm.initial_of(tap))
    if request.method == "POST" and form.is_valid():
        for name in form.fields:
            setattr(tap, name, form.cleaned_data[name])
        tap.save(update_fields=list(form.fields))
        for train in tap.trains.all():
            estimates.mark_stale(train)
        history_import.settle(tap)
        messages.success(request, f"{tap.name} is changed.")
        return redirect("source", tap.pk)
    return render(request, "cartridges/source/edit.html", {"source": tap, "form": form})


@login_required
@require_http_methods(["GET", "POST"])
def switch_new(request: HttpRequest, source: int) -> HttpResponse:
    """Write down a period in which the utility runs another disinfectant."""
    tap = access.get(request, Source.objects.select_related("household"), source, to=To.WRITE)
    usual = Disinfectant(tap.disinfectant)
    other = next(kind for kind in Disinfectant if kind != usual)
    form = SwitchForm(_sent(request), initial={"to": other.value})
    if request.method == "POST" and form.is_valid():
        try:
            switches.add(source=tap, by=access.person(request), **form.cleaned_data)
        except ActError as error:
            form.refuse(error)
        else:
            history_import.settle(tap)
            messages.success(request, "The switch period is written down.")
            return redirect("source", tap.pk)
    return render(request, "cartridges/source/switch.html", {"source": tap, "form": form})


@login_required
@require_http_methods(["GET", "POST"])
def switch_correct(request: HttpRequest, switch: int) -> HttpResponse:
    """Correct a switch period; the old one is kept beside it."""
    period = _switch(request, switch)
    form = SwitchForm(_sent(request), switch=period, initial=SwitchForm.initial_of(period))
    if request.method == "POST" and form.is_valid():
        try:
            switches.correct(period, by=access.person(request), **form.cleaned_data)
        except ActError as error:
            form.refuse(error)
        else:
            history_import.settle(period.source)
            messages.success(request, "The switch period is corrected.")
            return redirect("source", period.source_id)
    context = {"source": period.source, "form": form, "switch": period}
    return render(request, "cartridges/source/switch.html", context)


@login_required
@require_POST
def switch_undo(request: HttpRequest, switch: int) -> HttpResponse:
    """Take a switch period back."""
    period = _switch(request, switch)
    try:
        switches.undo(period, by=access.person(request))
    except ActError as error:
        messages.error(request, error.message)
    else:
        history_import.settle(period.source)
        messages.success(request, "The switch period is undone. It can be put back below.")
    return redirect("source", period.source_id)


@login_required
@require_POST
def switch_redo(request: HttpRequest, switch: int) -> HttpResponse:
    """Put an undone switch period back."""
    period = _switch(request, switch)
    try:
        switches.redo(period, by=access.person(request))
    except ActError as error:
        messages.error(request, error.message)
    else:
        history_import.settle(period.source)
        messages.success(request, "The switch period holds again.")
    return redirect("source", period.source_id)


def _sent(request: HttpRequest) -> QueryDict | None:
    """What was typed, where something was sent; an empty form counts as well."""
    return request.POST if request.method == "POST" else None


def _switch(request: HttpRequest, pk: int) -> SwitchPeriod:
    rows = SwitchPeriod.objects.select_related("source__household", "replaces")
    switch: SwitchPeriod = access.get(request, rows, pk, to=To.WRITE)
    return switch


def _imports(tap: Source) -> list[HistoryImport]:
    rows = tap.imports.defer("content").select_related("uploaded_by")
    return list(rows.order_by("-uploaded_at", "-pk"))
