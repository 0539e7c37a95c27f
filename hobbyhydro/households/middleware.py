"""Each request knows the household that its person stands in, and runs in its time zone."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from .models import Membership

SESSION_KEY = "household"


class HouseholdMiddleware:
    """Sets ``request.membership`` (or None) and the household's time zone for the request."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        place = self.place(request)
        request.membership = place  # type: ignore[attr-defined]  # HttpRequest has no such slot
        if place is None:
            return self.get_response(request)
        with timezone.override(place.household.zone):
            return self.get_response(request)

    @staticmethod
    def place(request: HttpRequest) -> Membership | None:
        if not request.user.is_authenticated:
            return None
        places = Membership.objects.select_related("household").filter(person=request.user)
        chosen = request.session.get(SESSION_KEY)
        found = list(places.order_by("since", "pk"))
        return next((p for p in found if p.household_id == chosen), found[0] if found else None)
