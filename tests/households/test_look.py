"""Colours that can be read, in light and in dark.

Contrast is that of WCAG 2.2, success criteria 1.4.3 (text, 4.5 to 1) and 1.4.11 (what shows a
control or its state, 3 to 1), with its definition of relative luminance (value from memory:
0.2126 R + 0.7152 G + 0.0722 B of linear sRGB, the break at 0.04045).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.conf import settings

TOKENS = (settings.BASE_DIR / "static" / "css" / "tokens.css").read_text()
CSS = sorted((settings.BASE_DIR / "static" / "css").glob("*.css"))


def block(start: str) -> dict[str, str]:
    """The custom properties of the block that begins with these words."""
    body = TOKENS[TOKENS.index(start) :]
    body = body[body.index("{") + 1 : body.index("}")]
    return dict(re.findall(r"(--[\w-]+):\s*([^;]+);", body))


LIGHT = block(":root,\n")
DARK = block('[data-theme="dark"]')
BY_DEVICE = block(':root:not([data-theme="light"])')
PAPER = LIGHT | block(":root[data-theme]")


def luminance(colour: str) -> float:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))

    def linear(c: float) -> float:
        return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4

    return 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself() -> None:
    """Black on white is 21 to 1 by definition; #767676 is the lightest grey that passes on white
    (common practice, no source)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


GROUNDS = ("--ground", "--surface", "--surface-sunk", "--surface-raised")
TEXT = [
    *((ink, ground) for ink in ("--ink", "--ink-soft", "--water") for ground in GROUNDS),
    ("--on-water", "--water"),
    ("--ink", "--brass-pale"),
    ("--ink", "--water-pale"),
    ("--water", "--brass-pale"),
    ("--water-deep", "--water-pale"),
    ("--brass", "--brass-pale"),
    ("--brass", "--surface"),
    ("--on-slate", "--slate"),
    ("--on-slate-soft", "--slate"),
    ("--on-slate-soft", "--slate-low"),
    *((f"--{state}", f"--{state}-pale") for state in ("ok", "soon", "now", "unknown")),
    *((f"--{state}", "--surface") for state in ("ok", "soon", "now", "unknown")),
    ("--chart-ink", "--chart-surface"),
    ("--chart-ink-soft", "--chart-surface"),
    ("--chart-limit", "--chart-surface"),
]
SHAPES = [
    *(("--edge-control", ground) for ground in ("--surface", "--surface-raised")),
    *(("--focus", ground) for ground in GROUNDS),
    ("--check", "--surface"),
    ("--chart-axis", "--chart-surface"),
    *((f"--chart-{n}", "--chart-surface") for n in range(1, 7)),
    *((f"--chart-{n}", "--chart-surface") for n in ("water", "test", "now", "label", "old")),
]


@pytest.mark.parametrize("theme", [LIGHT, DARK, PAPER], ids=["light", "dark", "paper"])
@pytest.mark.parametrize(("ink", "ground"), TEXT)
def test_text_can_be_read(theme: dict[str, str], ink: str, ground: str) -> None:
    assert contrast(theme[ink], theme[ground]) >= 4.5


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("shape", "ground"), SHAPES)
def test_controls_and_lines_can_be_seen(theme: dict[str, str], shape: str, ground: str) -> None:
    assert contrast(theme[shape], theme[ground]) >= 3.0


def test_dark_by_choice_is_dark_by_device() -> None:
    assert DARK == BY_DEVICE
    assert LIGHT.keys() == DARK.keys()


@pytest.mark.parametrize("sheet", CSS, ids=lambda s: s.name)
def test_every_colour_that_is_used_has_been_mixed(sheet: Path) -> None:
    text = sheet.read_text()
    own = set(re.findall(r"(--[\w-]+):", text))
    used = {name for name in re.findall(r"var\((--[\w-]+)\)", text) if not name.startswith("--bs-")}
    assert used - own - LIGHT.keys() - {"--target"} == set()
