"""Inviting somebody and going from one household to another, in a real browser."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from hobbyhydro.households.models import Household, Membership, User

from .conftest import assert_accessible, assert_fits
from .test_every_page import enter


def invite(page: Page, email: str) -> str:
    """Invite somebody on the household's page; the link that the demo shows."""
    page.goto("/household/")
    page.get_by_label("Their email address").fill(email)
    page.get_by_label("Viewer: sees").check()
    page.get_by_role("button", name="Send the invitation").click()
    link = page.locator(".notice a")
    expect(link).to_contain_text("/join/")
    assert_fits(page)
    assert_accessible(page)
    return link.get_attribute("href") or ""


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_an_invitation_goes_from_one_person_to_the_other(
    open_page: Callable[..., Page], owner: User, household: Household, size: str
) -> None:
    invite_page = open_page(size)
    enter(invite_page, owner)
    link = invite(invite_page, "guest@example.org")
    page = open_page(size, color_scheme="dark")
    page.goto(link)
    assert_accessible(page)
    assert_fits(page)
    expect(page.get_by_role("main")).to_contain_text("Odile invites you")
    page.get_by_role("link", name="Sign up and join").click()
    expect(page.get_by_label("Email")).to_have_value("guest@example.org")
    page.get_by_label("Password", exact=True).fill("nine wet slates")
    page.get_by_label("Password (again)").fill("nine wet slates")
    page.get_by_label("What should we call you?").fill("Gesa")
    assert_accessible(page)
    page.get_by_role("main").get_by_role("button", name="Sign up").click()
    expect(page.locator(".notice-success")).to_contain_text("You belong to Fern Street now.")
    assert household.memberships.get(person__name="Gesa").role == Membership.Role.VIEWER
    invite_page.goto("/household/")
    expect(invite_page.get_by_role("main")).to_contain_text("Gesa joined as a viewer")


def test_an_address_that_is_none_is_said_beside_it(
    open_page: Callable[..., Page], owner: User
) -> None:
    page = open_page("phone")
    enter(page, owner)
    page.goto("/household/")
    page.get_by_label("Their email address").fill("guest at example")
    page.get_by_role("button", name="Send the invitation").click()
    field = page.get_by_label("Their email address")
    expect(field).to_be_focused()
    expect(field).to_have_value("guest at example")
    expect(page.locator(".invalid-feedback")).to_contain_text("This is not an email address")
    assert_accessible(page)


@pytest.mark.parametrize("scripts", [True, False])
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_the_way_to_another_household_is_at_the_top(
    open_page: Callable[..., Page], owner: User, household: Household, size: str, scripts: bool
) -> None:
    Household.found(owner=owner, name="The north hall of the aquarium, and its quarantine room")
    page = open_page(size, java_script_enabled=scripts)
    enter(page, owner)
    page.goto("/household/")
    page.locator(".top-switch summary").click()
    there = page.locator(".top-switch").get_by_role("button", name="The north hall")
    expect(there).to_be_visible()
    box = there.bounding_box()
    assert box is not None
    assert box["height"] >= 44
    assert box["x"] >= 0 and box["x"] + box["width"] <= (page.viewport_size or {})["width"]
    if scripts:
        assert_accessible(page)
        page.keyboard.press("Escape")
        expect(there).to_be_hidden()
        page.locator(".top-switch summary").press("Enter")
    there.click()
    expect(page.locator(".notice")).to_contain_text("You are in The north hall")
    page.goto("/household/")
    expect(page.get_by_role("heading", level=1)).to_contain_text("The north hall")
    assert_fits(page)
