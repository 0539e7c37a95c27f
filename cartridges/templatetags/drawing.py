"""Shapes of a drawing as SVG: geometry comes from services, the look from the style sheet."""

from __future__ import annotations

from collections.abc import Iterable

from django import template
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from cartridges.services.picture_shapes import Box, Housing, Line

register = template.Library()


@register.filter
def box(shape: Box) -> SafeString:
    """The four attributes of a ``rect``. Numbers alone, so nothing to escape."""
    return mark_safe(f'x="{shape.x:g}" y="{shape.y:g}" width="{shape.w:g}" height="{shape.h:g}"')


@register.filter
def lines(words: Iterable[Line]) -> SafeString:
    """Lines of text as ``text`` elements."""
    return mark_safe(
        "".join(
            f'<text class="{escape(w.look)}" x="{w.x:g}" y="{w.y:g}">{escape(w.text)}</text>'
            for w in words
        )
    )


@register.filter
def gradient(housing: Housing) -> SafeString:
    """The water's edge of one glass: clear above the high tenth, full below the low one."""
    if housing.level is None:
        return mark_safe("")
    level = housing.level
    return mark_safe(
        f'<linearGradient id="{housing.uid}" x1="0" y1="0" x2="0" y2="1">'
        f'<stop class="water-none" offset="{level.clear_at:g}"/>'
        f'<stop class="water-half" offset="{level.half_at:g}"/>'
        f'<stop class="water-full" offset="{level.full_at:g}"/></linearGradient>'
    )


@register.filter
def shapes(housing: Housing) -> SafeString:
    """One housing from back to front: glass, water, cartridge, level, edge, head, state, words."""
    outline = housing.outline
    water = "" if housing.level is None else f'<path fill="url(#{housing.uid})" d="{outline}"/>'
    return mark_safe(
        f'<rect class="hit" {box(housing.part.box)} rx="8"/>'
        f'<path class="glass" d="{outline}"/>{water}'
        f'<path class="grain" d="{housing.grain}"/>'
        f'<path class="level" d="{housing.level_line}"/>'
        f'<path class="glass-edge" d="{outline}"/>'
        f'<rect class="head" {box(housing.head)} rx="5"/>'
        f'<path class="head-line" d="{housing.head_line}"/>'
        f'<path class="mark" d="{housing.mark_path}"/>'
        f'<path class="sign" d="{housing.sign}"/>'
        f"{lines(housing.part.lines)}"
    )
