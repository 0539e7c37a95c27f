"""Where the links in letters lead. Following one changes nothing that is kept."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_safe

from hobbyhydro.households import access
from hobbyhydro.households.models import Membership
from schedule.models import Notice
from schedule.services import links
from schedule.services.wishes import keep, wishes_of

ONE_CLICK = ("List-Unsubscribe", "One-Click")
"""What a mail program sends, by RFC 8058, 3.1."""


@login_required
@require_safe
def follow(request: HttpRequest, errand: str) -> HttpResponse:
    """To the form for what a letter spoke of, for the person it was written to and nobody else."""
    try:
        found = links.errand(errand)
    except links.Expired:
        return render(request, "schedule/letters/expired.html", status=410)
    if found is None or found.person != access.person(request).pk:
        raise Http404
    place = next((p for p in access.places(request) if p.household_id == found.household), None)
    rows = Notice.objects.filter(pk=found.notice, person=found.person, household=found.household)
    notice = rows.select_related("train").first()
    if place is None or notice is None:
        raise Http404
    if place != access.membership(request):
        access.stand_in(request, place)
    if not _stands(notice):
        return render(
            request, "schedule/letters/done.html", {"notice": notice, "train": notice.train}
        )
    return redirect(_address(notice, place))


@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
def stop(request: HttpRequest, stop: str) -> HttpResponse:
    """Stop the mail of one person about one household (RFC 8058).

    Works without signing in and without a cookie: the signed address is what allows it, and all
    that it allows is to send less. A GET asks first; a POST must say that it is meant.
    """
    place = links.place_to_stop(stop)
    if place is None:
        raise Http404
    stopped = False
    if request.method == "POST":
        name, value = ONE_CLICK
        if request.POST.get(name) != value:
            return render(request, "400.html", status=400)
        keep(wishes_of(place), by_email=False)
        stopped = True
    context = {"household": place.household, "stopped": stopped, "one_click": ONE_CLICK}
    return render(request, "schedule/letters/stop.html", context)


def _stands(notice: Notice) -> bool:
    """Whether the thing is still to be done: by this notice, or by a later one about the same."""
    if notice.lapsed_at is None:
        return True
    same = Notice.objects.filter(
        person=notice.person_id, household=notice.household_id, thing=notice.thing
    )
    return same.filter(lapsed_at=None).exists()


def _address(notice: Notice, place: Membership) -> str:
    """The form; for somebody who may only look, the train."""
    if place.may_write:
        return str(notice.says.get("path") or "/")
    return reverse("train", args=[notice.train_id]) if notice.train_id else "/"
