"""Who signs in to the demo. The demo alone may show this password; nothing else uses it."""

from __future__ import annotations

from django.conf import settings

from .models import User

EMAIL = "demo@hobbyhydro.test"
PASSWORD = "drip-by-drip"


def sign_in_words() -> dict[str, str] | None:
    """Email and password to show beside the sign-in form; None outside the demo or without it."""
    if not settings.DEMO or not User.objects.filter(email=EMAIL).exists():
        return None
    return {"email": EMAIL, "password": PASSWORD}
