"""What is said after something was logged, corrected or undone, and the way back from it."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib import messages
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.utils.safestring import mark_safe

from cartridges.forms.log_base import LogForm
from cartridges.forms.log_fields import in_clock_words
from cartridges.forms.log_flow import TurnOnForm
from cartridges.forms.log_meter import MeterReadingForm
from cartridges.forms.log_swap import CartridgeForm
from cartridges.models import Fact, Fitting, Shutoff
from hobbyhydro.households import access


def said(form: LogForm, facts: Sequence[Fact]) -> str:
    """What else is worth saying beside the fact itself."""
    if isinstance(form, MeterReadingForm):
        return _flow(form)
    if isinstance(form, TurnOnForm) and isinstance(facts[0], Shutoff):
        return "The water is on again."
    if isinstance(form, CartridgeForm):
        return _flush(form, facts)
    return ""


def _flow(form: MeterReadingForm) -> str:
    if form.before is None or form.flow_l_day is None:
        return "The flow will show with the next reading."
    since = in_clock_words(form.before.at)
    return f"That is {form.words(form.flow_l_day, 'flow')} since {since}."


def _flush(form: CartridgeForm, facts: Sequence[Fact]) -> str:
    last = facts[-1]
    new = last.cartridge if isinstance(last, Fitting) else None
    if new is None or not new.spec.flush_volume_l:
        return ""
    volume = form.words(new.spec.flush_volume_l, "volume")
    return f"Flush {volume} through no. {new.number} to waste first."


def say_saved(
    request: HttpRequest, facts: Sequence[Fact], more: str, *, verb: str = "Saved"
) -> None:
    """Tell what was saved, with a button that undoes it."""
    _say(request, verb, facts, more, back="undo")


def say_undone(request: HttpRequest, facts: Sequence[Fact]) -> None:
    """Tell what was undone, with a button that takes the undo back."""
    _say(request, "Undone", facts, "", back="redo")


def say_repeated(request: HttpRequest, fact: Fact) -> None:
    """Tell that the very same is written down already."""
    units = access.person(request).units
    who = fact.logged_by or "somebody"
    messages.info(
        request,
        f"Already logged by {who} for {in_clock_words(fact.at)}: {fact.summary(units=units)}. "
        "It was not saved a second time.",
    )


def _say(request: HttpRequest, verb: str, facts: Sequence[Fact], more: str, *, back: str) -> None:
    units = access.person(request).units
    html = render_to_string(
        "cartridges/log/said.html",
        {
            "verb": verb,
            "lines": [fact.summary(units=units) for fact in facts],
            "fact": facts[0],
            "more": more,
            "back": back,
        },
        request=request,
    )
    # Rendered by our own template, which escapes all that a keeper wrote.
    messages.success(request, mark_safe(html.strip()))
