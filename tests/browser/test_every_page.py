"""Every page that answers a GET, as an owner of a train at work sees it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page

from cartridges.models import Train
from cartridges.services.estimates import refresh
from cartridges.services.logbook import KINDS
from hobbyhydro.households.models import User
from tests.addresses import every_address
from tests.conftest import signed_in

from .conftest import assert_accessible, assert_fits


@pytest.fixture
def paths(settings, train: Train, owner: User) -> list[str]:
    """Addresses of all pages, every log form, and a fact of its own kind."""
    settings.MODEL_MEMBERS = 256
    refresh(train)
    client = signed_in(owner)
    asked = [a.path for a in every_address(train)]
    asked += [f"/trains/{train.pk}/log/{kind}/" for kind in (*KINDS, "turn-on", "rotation")]
    pages = []
    for path in dict.fromkeys(asked):
        answer = client.get(path)
        is_page = answer["Content-Type"].startswith("text/html") and b"<html" in answer.content
        if answer.status_code == 200 and is_page:  # some answers are a part of a page alone
            pages.append(path)
    assert len(pages) > 35
    return pages


def enter(page: Page, person: User) -> None:
    """Sign in by the cookie: the sign-in page has tests of its own."""
    cookie = signed_in(person).cookies["sessionid"]
    page.goto("/cautions/")
    whole_site = page.url.removesuffix("cautions/")
    page.context.add_cookies([{"name": "sessionid", "value": cookie.value, "url": whole_site}])


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "dark"), ("desk", "light"), ("phone", "light"), ("desk", "dark")]
)
def test_is_accessible_fits_and_leaves_no_error(
    open_page: Callable[..., Page], owner: User, paths: list[str], size: str, scheme: str
) -> None:
    page = open_page(size, color_scheme=scheme)
    enter(page, owner)
    for path in paths:
        page.goto(path)
        assert page.url.endswith(path), f"{path} led to {page.url}"
        assert_accessible(page)
        assert_fits(page)
