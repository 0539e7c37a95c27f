"""Amounts in the household's currency."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template

from schedule.services.costs import in_money

register = template.Library()


@register.simple_tag(takes_context=True)
def money(context: dict[str, Any], amount: Decimal | float | str | None) -> str:
    """``{% money swap.price %}`` → “24.90 USD”."""
    place = context.get("membership")
    return in_money(amount, place.household.currency if place else "")
