"""Who signs in to the demo. The demo alone may show this password; nothing else uses it."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from .models import Membership, User

EMAIL = "demo@hobbyhydro.test"
PASSWORD = "drip-by-drip"


def sign_in_words() -> dict[str, str] | None:
    """Email and password to show beside the sign-in form; None outside the demo or without it."""
    if not settings.DEMO or not User.objects.filter(email=EMAIL).exists():
        return None
    return {"email": EMAIL, "password": PASSWORD}


def mark_invented(places: models.QuerySet[Membership]) -> models.QuerySet[Membership]:
    """Places that each know, as ``is_invented``, whether theirs is the household that the demo
    invented: the first that its person owned. Part of the same query; unchanged outside the demo.
    """
    if not settings.DEMO:
        return places
    owned = Membership.objects.filter(person__email=EMAIL, role=Membership.Role.OWNER)
    first = owned.order_by("since", "pk").values("household")[:1]
    return places.annotate(
        is_invented=models.Case(
            models.When(household=models.Subquery(first), then=models.Value(True)),
            default=models.Value(False),
        )
    )
