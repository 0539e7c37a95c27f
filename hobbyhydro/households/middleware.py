"""Each request knows the household that its person stands in, and runs in its time zone."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from . import access
from .access import SESSION_KEY
from .demo_person import mark_invented
from .models import Membership

__all__ = ["SESSION_KEY", "HouseholdMiddleware"]


class HouseholdMiddleware:
    """Sets ``request.memberships`` (all places of the person) and ``request.membership`` (the one
    they act from, or None), and the household's time zone for the request."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        place = self.place(request)
        # The zone is put back afterwards even where a view moves to another household.
        with timezone.override(place.household.zone if place is not None else None):
            return self.get_response(request)

    @staticmethod
    def place(request: HttpRequest) -> Membership | None:
        """Find the places of the signed-in person, and the one chosen in the session, else the
        oldest. One query."""
        found: list[Membership] = []
        if request.user.is_authenticated:
            places = Membership.objects.select_related("household").filter(person=request.user)
            found = list(mark_invented(places).order_by("since", "pk"))
        chosen = request.session.get(SESSION_KEY)
        place = next((p for p in found if p.household_id == chosen), found[0] if found else None)
        access.enter(request, places=found, place=place)
        return place
