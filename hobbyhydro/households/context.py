"""What every template may ask about the person who reads it."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from . import access
from .models import User


def person(request: HttpRequest) -> dict[str, Any]:
    """Units and theme of the reader, their places in households, and whether this is the demo."""
    user = getattr(request, "user", None)
    reader = user if isinstance(user, User) else None
    return {
        "units": reader.units if reader else "us",
        "theme": reader.theme if reader else "auto",
        "membership": getattr(request, "membership", None),
        "my_places": access.places(request),
        "is_demo": settings.DEMO,
    }
