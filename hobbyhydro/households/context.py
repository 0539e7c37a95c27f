"""What every template may ask about the person who reads it."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest


def person(request: HttpRequest) -> dict[str, Any]:
    """Units and theme of the reader, their place in the household, and whether this is the demo."""
    user = getattr(request, "user", None)
    signed_in = user is not None and user.is_authenticated
    return {
        "units": user.units if signed_in else "us",
        "theme": user.theme if signed_in else "auto",
        "membership": getattr(request, "membership", None),
        "is_demo": settings.DEMO,
    }
