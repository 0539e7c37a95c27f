"""The calendar: the page about its secret address, and the calendar itself."""

from __future__ import annotations

import hashlib

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response, patch_cache_control
from django.utils.http import http_date, quote_etag
from django.views.decorators.http import require_POST, require_safe

from hobbyhydro.households import access
from schedule.services import feed, feed_address
from schedule.services.wishes import wishes_of

CONTENT_TYPE = "text/calendar; charset=utf-8"


@login_required
@require_safe
def settings(request: HttpRequest) -> HttpResponse:
    """What the calendar is, and whether this person has an address for it."""
    return _page(request, secret="")


@login_required
@require_POST
def rotate(request: HttpRequest) -> HttpResponse:
    """A new address, shown in this answer and never again."""
    return _page(request, secret=feed_address.rotate(access.membership(request)))


@login_required
@require_POST
def stop(request: HttpRequest) -> HttpResponse:
    """No address any more."""
    feed_address.stop(access.membership(request))
    messages.success(request, "The address is out of use. Calendars that read it stop there.")
    return redirect("calendar")


def _page(request: HttpRequest, *, secret: str) -> HttpResponse:
    place = access.membership(request)
    address = request.build_absolute_uri(reverse("feed", args=[secret])) if secret else ""
    context = {
        "live": feed_address.live(place),
        "address": address,
        "subscribe": "webcal://" + address.partition("://")[2] if address else "",
        "wishes": wishes_of(place),
        "refresh_hours": int(feed.REFRESH.total_seconds() // 3600),
    }
    answer = render(request, "schedule/calendar/calendar.html", context)
    patch_cache_control(answer, no_store=True)
    return answer


@require_safe
def read(request: HttpRequest, feed_secret: str) -> HttpResponseBase:
    """The calendar, for whoever holds its address; 304 where the reader has it already.

    There is no sign-in: the secret is the key, and any other is answered as if nothing were there.
    """
    token = feed_address.find(feed_secret)
    if token is None:
        raise Http404
    now = timezone.now()
    body = feed.calendar_of(token.membership, absolute=request.build_absolute_uri, now=now)
    digest = hashlib.sha256(body).hexdigest()
    since = feed_address.note_reading(token, digest=digest, now=now)
    etag, changed = quote_etag(digest), int(since.timestamp())
    answer = HttpResponse(body, content_type=CONTENT_TYPE)
    answer["Content-Disposition"] = 'inline; filename="hobbyhydro.ics"'
    answer["ETag"], answer["Last-Modified"] = etag, http_date(changed)
    patch_cache_control(answer, private=True, no_cache=True)
    return get_conditional_response(request, etag, changed, answer) or answer
