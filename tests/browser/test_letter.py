"""A letter as a mail program shows it: narrow and wide, without images, sheets or scripts."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core import mail
from playwright.sync_api import Browser, Page

from hobbyhydro.households.models import Household, User
from schedule.models import Chore
from tests.schedule.letter_box import DAY, NOON, TODAY, chore, html_of, round_at, sent

from .conftest import assert_accessible, assert_fits

WIDTHS = [320, 600]


@pytest.fixture
def letter(household: Household, owner: User) -> str:
    """One with much to say, some of it in a very long word."""
    Chore.objects.create(
        household=household,
        title="Look after the float-valve-assembly-behind-the-second-tank-in-the-cellar",
        how="Shut the valve first.\nUse a soft brush.",
        rule="FREQ=YEARLY",
        start=TODAY - 4 * DAY,
    )
    chore(household, on=TODAY, title="W" * 60)
    round_at(NOON)
    chore(household, on=TODAY + DAY, title="Check the leak stop")
    mail.outbox.clear()
    round_at(NOON + DAY)
    [message] = sent()
    return html_of(message)


@pytest.fixture
def shown(chromium: Browser, letter: str, request: pytest.FixtureRequest) -> Iterator[Page]:
    """The letter alone: whatever it would fetch is refused, and counted."""
    context = chromium.new_context(
        viewport={"width": request.param, "height": 800}, java_script_enabled=True
    )
    page = context.new_page()
    asked: list[str] = []
    page.route("**/*", lambda route: (asked.append(route.request.url), route.abort()))
    page.set_content(letter)
    yield page
    context.close()
    assert asked == []


@pytest.mark.parametrize("shown", WIDTHS, indirect=True)
def test_letter_is_readable(shown: Page) -> None:
    assert_fits(shown)
    assert_accessible(shown)
    size = shown.evaluate(
        "Math.min(...[...document.querySelectorAll('p, h2, li, a')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert size >= 14
    for button in shown.get_by_role("link", name="Open the form").all():
        box = button.bounding_box()
        assert box is not None and box["height"] >= 44
    assert shown.get_by_text("Still open from before").is_visible()
