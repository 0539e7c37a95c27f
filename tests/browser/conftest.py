"""A real Chromium against the live server. Where there is none, these tests say so and skip."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

# Playwright's synchronous interface runs a loop of its own in this thread.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

CHROMIUM = next(
    (
        found
        for name in ("chromium", "chromium-browser", "google-chrome")
        if (found := shutil.which(name))
    ),
    None,
)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"phone": {"width": 390, "height": 844}, "desk": {"width": 1280, "height": 900}}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "tests/browser/" in str(item.path):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Browser, live_server: Any) -> Iterator[Callable[..., Page]]:
    """Makes a page of a given size; every error in the page's console fails the test."""
    contexts = []
    errors: list[str] = []

    def make(size: str = "desk", **options: Any) -> Page:
        context = chromium.new_context(viewport=SIZES[size], base_url=live_server.url, **options)
        context.set_default_timeout(20_000)
        page = context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda message: errors.extend(complaint(message)))
        contexts.append(context)
        return page

    yield make
    for context in contexts:
        context.close()
    assert errors == []


def complaint(message: ConsoleMessage) -> list[str]:
    """An error in the console; all but the style sheet of the chart library's maps, which we do
    not draw and which our policy rightly refuses."""
    of_the_charts = "plotly" in message.location.get("url", "")
    if message.type != "error" or (of_the_charts and "inline style" in message.text):
        return []
    return [f"{message.text} ({message.location})"]


def assert_accessible(page: Page) -> None:
    """No violation that axe can find; the message says which rule and where."""
    found = Axe().run(page)
    assert found.violations_count == 0, f"{page.url}\n{found.generate_report()}"


def assert_fits(page: Page) -> None:
    """Nothing sticks out sideways."""
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 1, f"{page.url} is {wide} px too wide"
