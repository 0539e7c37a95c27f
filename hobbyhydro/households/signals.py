"""A person who signs up gets a household of their own."""

from typing import Any

from allauth.account.signals import user_signed_up
from django.dispatch import receiver

from .models import Household, User


@receiver(user_signed_up)
def found_household(sender: Any, user: User, **kwargs: Any) -> None:
    if not user.memberships.exists():
        Household.found(owner=user)
