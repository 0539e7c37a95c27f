"""Labels as they come out of a real browser: on either paper, with codes that a reader reads."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable

import numpy as np
import pytest
import zxingcpp
from playwright.sync_api import Page, expect

from cartridges.models import Train
from hobbyhydro.households.models import User

from .conftest import assert_accessible, assert_fits
from .test_every_page import enter

# ISO 216 A4 and US Letter, in points of 1/72 inch.
SIZES_PT = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}


@pytest.fixture(autouse=True)
def plan_as_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("schedule.views.labels.plan.ensure", lambda train: None)


def grey(png: bytes) -> np.ndarray:
    """The pixels of a screenshot: PNG with eight bits a channel (ISO/IEC 15948), unfiltered."""
    at, packed = 8, b""
    width = height = channels = 0
    while at < len(png):
        (length,), kind = struct.unpack(">I", png[at : at + 4]), png[at + 4 : at + 8]
        body = png[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            assert depth == 8
            channels = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            packed += body
        at += 12 + length
    rows = np.frombuffer(zlib.decompress(packed), dtype=np.uint8).reshape(height, -1)
    above = np.zeros(width * channels, dtype=np.int64)
    lines = []
    for row in rows:
        above = unfiltered(int(row[0]), row[1:].astype(np.int64), above, channels)
        lines.append(above)
    return np.array(lines, dtype=np.uint8).reshape(height, width, channels)[:, :, 0].copy()


def unfiltered(kind: int, line: np.ndarray, above: np.ndarray, channels: int) -> np.ndarray:
    """One line of a PNG as it was before it was filtered (section 9 of the standard)."""
    if kind == 2:
        return (line + above) % 256
    out = line.copy()
    for k in range(len(out)):
        left = int(out[k - channels]) if k >= channels else 0
        over = int(above[k])
        corner = int(above[k - channels]) if k >= channels else 0
        guess = left + over - corner
        near = min((left, over, corner), key=lambda value: abs(guess - value))
        out[k] = (out[k] + (0, left, over, (left + over) // 2, near)[kind]) % 256
    return out


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_they_come_out_on_the_chosen_paper(
    open_page: Callable[..., Page], owner: User, train: Train, paper: str
) -> None:
    page = open_page("desk")
    enter(page, owner)
    page.goto(f"/trains/{train.pk}/labels/?paper={paper}")
    printed = page.pdf(prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", printed)
    assert len(boxes) == 1  # three labels on one sheet
    assert [float(side) for side in boxes[0]] == pytest.approx(SIZES_PT[paper], abs=0.5)
    page.emulate_media(media="print")
    expect(page.locator(".ways")).to_be_hidden()
    expect(page.locator(".labels-choice")).to_be_hidden()
    assert page.locator(".label:visible").count() == 3


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_reader_reads_each_code_from_the_screen(
    open_page: Callable[..., Page], owner: User, train: Train, scheme: str
) -> None:
    page = open_page("phone", color_scheme=scheme)
    enter(page, owner)
    page.goto(f"/trains/{train.pk}/labels/")
    assert_accessible(page)
    assert_fits(page)
    codes = page.locator(".label-code")
    origin = page.url.split("/trains/")[0]
    for k, stage in enumerate(train.stages.order_by("position")):
        [found] = zxingcpp.read_barcodes(grey(codes.nth(k).screenshot()))
        assert found.text == f"{origin}/trains/{train.pk}/log/swap/?stage={stage.pk}"
