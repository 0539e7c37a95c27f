"""Numbers with their units, and dates with their days, as the reader wants them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import template
from django.utils import timezone
from django.utils.formats import date_format

from hobbyhydro.households import units as edge

register = template.Library()


@register.simple_tag(takes_context=True)
def quantity(
    context: dict[str, Any], value: float | None, kind: str, decimals: int | None = None
) -> str:
    """``{% quantity train.flow_l_day "flow" %}`` → “80.0 gal/day” in the reader's units."""
    return edge.in_words(value, quantity=kind, units=context.get("units", "us"), decimals=decimals)


@register.simple_tag(takes_context=True)
def unit(context: dict[str, Any], kind: str) -> str:
    """The unit's label alone, in the reader's system."""
    return edge.unit_label(kind, units=context.get("units", "us"))


@register.filter
def in_days(when: dt.datetime | dt.date | None) -> str:
    """“today”, “in 12 days”, “3 days ago”: whole days on the household's calendar."""
    if when is None:
        return "–"
    days = (local_date(when) - timezone.localdate()).days
    if days == 0:
        return "today"
    if days == 1:
        return "tomorrow"
    if days == -1:
        return "yesterday"
    return f"in {days:,} days" if days > 0 else f"{-days:,} days ago"


@register.filter
def on_day(when: dt.datetime | dt.date | None) -> str:
    """A short local date, with its year when that is not this year's."""
    if when is None:
        return "–"
    day = local_date(when)
    return date_format(day, "D j M" if day.year == timezone.localdate().year else "j M Y")


def local_date(when: dt.datetime | dt.date) -> dt.date:
    """The household's calendar day of a moment."""
    if isinstance(when, dt.datetime):
        return timezone.localtime(when).date()
    return when
