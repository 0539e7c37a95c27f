"""What the main links lead to, and what a visitor of the demo needs to know."""

from __future__ import annotations

from typing import Any

from django import template

from hobbyhydro.households.demo_person import sign_in_words

register = template.Library()


@register.simple_tag(takes_context=True)
def way_train(context: dict[str, Any]) -> Any:
    """The train whose log, stages and water the links open; None when there is none yet.

    A page that shows a train has it in its context, and then nothing is asked of the database.
    Any other page costs one query.
    """
    train = context.get("train")
    if train is not None and getattr(train, "pk", None) is not None:
        return train
    place = context.get("membership")
    return place.household.trains.first() if place is not None else None


@register.simple_tag(takes_context=True)
def here(context: dict[str, Any]) -> str:
    """The name of the address that is being answered, or nothing on an error page."""
    request = context.get("request")
    match = getattr(request, "resolver_match", None)
    return match.url_name or "" if match else ""


@register.simple_tag
def demo_sign_in() -> dict[str, str] | None:
    """Email and password of the demo's person, in the demo only."""
    return sign_in_words()
