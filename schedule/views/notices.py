"""What the signed-in person is told about their household, and when."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateformat import format as format_date
from django.views.decorators.http import require_http_methods, require_POST

from hobbyhydro.households import access
from schedule.forms.notices import PauseForm, WishesForm
from schedule.services import letter_list, links
from schedule.services.wishes import keep, listens, wishes_of

USUAL_PAUSE = dt.timedelta(days=14)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def notices(request: HttpRequest) -> HttpResponse:
    """Wishes, the letters of the last month, and what is sent when."""
    wishes = wishes_of(access.membership(request))
    form = WishesForm(request.POST or None, initial=WishesForm.initial_of(wishes))
    if request.method == "POST" and form.is_valid():
        keep(wishes, **form.cleaned_data)
        messages.success(request, "Saved.")
        return redirect("notices")
    return _page(request, form=form)


@login_required
@require_POST
def pause(request: HttpRequest) -> HttpResponse:
    """No mail until a day."""
    form = PauseForm(request.POST)
    if not form.is_valid():
        return _page(request, pause=form)
    until = form.cleaned_data["until"]
    keep(wishes_of(access.membership(request)), paused_until=until)
    messages.success(request, f"No mail until {format_date(until, 'D j M Y')}.")
    return redirect("notices")


@login_required
@require_POST
def resume(request: HttpRequest) -> HttpResponse:
    """Mail from now on, whatever stopped it."""
    keep(wishes_of(access.membership(request)), paused_until=None, by_email=True)
    messages.success(request, "You get mail again.")
    return redirect("notices")


def _page(
    request: HttpRequest, *, form: WishesForm | None = None, pause: PauseForm | None = None
) -> HttpResponse:
    place = access.membership(request)
    place.person = access.person(request)  # the same row, known already
    wishes, today = wishes_of(place), timezone.localdate()
    context = {
        "wishes": wishes,
        "form": form or WishesForm(initial=WishesForm.initial_of(wishes)),
        "pause_form": pause or PauseForm(initial={"until": today + USUAL_PAUSE}),
        "listens": listens(wishes, today=today),
        "letters": letter_list.lately(place),
        "trouble": [t for t in letter_list.trouble(place.household) if t.person == place.person],
        "address": place.person.email,
        "link_days": links.GOOD_FOR.days,
    }
    return render(request, "schedule/notices/notices.html", context)
