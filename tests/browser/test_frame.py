"""The frame of every page, and the pages about people, in a real browser."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from hobbyhydro.households.models import Household, User
from tests.conftest import PASSWORD

from .conftest import assert_accessible, assert_fits

OPEN = ["/", "/cautions/", "/account/login/", "/account/signup/", "/account/password/reset/"]
OURS = ["/you/", "/household/", "/cautions/", "/account/email/", "/account/password/change/",
        "/account/logout/"]  # fmt: skip
EVERY_WAY = [("phone", "light"), ("phone", "dark"), ("desk", "light"), ("desk", "dark")]
TARGETS = ".ways a, .ways summary, main .btn, main .form-control, main .form-check, .brand, .foot a"
GROUND = {"light": "rgb(232, 238, 240)", "dark": "rgb(14, 23, 27)"}


def sign_in(page: Page, person: User) -> None:
    page.goto("/account/login/")
    page.get_by_label("Email").fill(person.email)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/setup/**")


def ground(page: Page) -> str:
    colour: str = page.evaluate("getComputedStyle(document.body).backgroundColor")
    return colour


@pytest.mark.parametrize(("size", "scheme"), EVERY_WAY)
def test_pages_before_sign_in_are_accessible_and_fit(
    open_page: Callable[..., Page], size: str, scheme: str
) -> None:
    page = open_page(size, color_scheme=scheme)
    for path in OPEN:
        page.goto(path)
        assert ground(page) == GROUND[scheme]
        assert_accessible(page)
        assert_fits(page)


@pytest.mark.parametrize(("size", "scheme"), EVERY_WAY)
def test_pages_about_people_are_accessible_and_fit(
    open_page: Callable[..., Page], owner: User, size: str, scheme: str
) -> None:
    page = open_page(size, color_scheme=scheme)
    sign_in(page, owner)
    for path in OURS:
        page.goto(path)
        assert_accessible(page)
        assert_fits(page)


def test_signing_up_brings_the_devices_time_zone(open_page: Callable[..., Page]) -> None:
    page = open_page("phone", timezone_id="America/Denver")
    page.goto("/account/signup/")
    page.get_by_label("Email").fill("ines@example.org")
    page.get_by_label("Password", exact=True).fill("nine wet slates")
    page.get_by_label("Password (again)").fill("nine wet slates")
    page.get_by_label("Metric (litres, kPa, °C)").check()
    page.get_by_role("button", name="Sign up").click()
    page.wait_for_url("**/setup/**")
    assert Household.objects.get().time_zone == "America/Denver"
    assert User.objects.get().units == "metric"


def test_a_household_in_another_zone_is_offered_the_devices(
    open_page: Callable[..., Page], owner: User, household: Household
) -> None:
    page = open_page("desk", timezone_id="America/Denver")
    sign_in(page, owner)
    page.goto("/household/")
    expect(page.get_by_label("Time zone")).to_have_value("UTC")
    offer = page.get_by_role("button", name="Use this device’s: America/Denver")
    offer.click()
    expect(offer).to_be_hidden()
    expect(page.get_by_label("Time zone")).to_have_value("America/Denver")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".notice-success")).to_contain_text("Saved")
    household.refresh_from_db()
    assert household.time_zone == "America/Denver"


def test_a_chosen_theme_wins_over_the_device(open_page: Callable[..., Page], owner: User) -> None:
    page = open_page("desk", color_scheme="light")
    sign_in(page, owner)
    page.goto("/you/")
    assert ground(page) == GROUND["light"]
    page.get_by_label("Dark", exact=True).check()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    assert ground(page) == GROUND["dark"]
    assert page.locator("html").get_attribute("data-bs-theme") == "dark"
    page.get_by_label("As the device is set").check()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "auto")
    page.emulate_media(color_scheme="dark")
    expect(page.locator("html")).to_have_attribute("data-bs-theme", "dark")


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_the_links_work_without_any_script(
    open_page: Callable[..., Page], owner: User, size: str
) -> None:
    page = open_page(size, java_script_enabled=False)
    sign_in(page, owner)
    page.goto("/you/")
    page.get_by_text("More").click()
    page.get_by_role("link", name="Household").click()
    expect(page).to_have_url(page.url.split("/household/")[0] + "/household/")
    expect(page.get_by_role("heading", name="Fern Street")).to_be_visible()


def test_the_sheet_closes_on_escape_and_gives_the_focus_back(
    open_page: Callable[..., Page], owner: User
) -> None:
    page = open_page("phone")
    sign_in(page, owner)
    page.goto("/you/")
    summary = page.locator(".ways-more summary")
    summary.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("link", name="Cautions").first).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator(".ways-more")).not_to_have_attribute("open", "")
    expect(summary).to_be_focused()


def test_targets_are_large_enough_for_a_wet_thumb(
    open_page: Callable[..., Page], owner: User
) -> None:
    page = open_page("phone")
    sign_in(page, owner)
    page.goto("/you/")
    small = page.locator(TARGETS).evaluate_all(
        """all => all.filter(e => e.getClientRects().length
            && e.getBoundingClientRect().height < 43.5).map(e => e.outerHTML)"""
    )
    assert page.locator(TARGETS).count() > 10
    assert small == []


def test_the_first_key_leads_past_the_links(open_page: Callable[..., Page], owner: User) -> None:
    page = open_page("desk")
    sign_in(page, owner)
    page.goto("/you/")
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the page")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.get_by_label("Your name")).to_be_focused()


def test_a_refused_form_stands_in_the_field_that_needs_another_look(
    open_page: Callable[..., Page], owner: User
) -> None:
    page = open_page("phone")
    page.goto("/account/password/reset/")
    page.get_by_label("Email").evaluate("e => { e.type = 'text'; }")
    page.get_by_label("Email").fill("owner at example")
    page.get_by_role("button", name="Send the link").click()
    field = page.get_by_label("Email")
    expect(field).to_be_focused()
    expect(field).to_have_value("owner at example")
    expect(page.locator(".invalid-feedback")).to_be_visible()


def test_links_lie_at_the_thumb_on_a_phone_and_above_on_a_desk(
    open_page: Callable[..., Page], owner: User
) -> None:
    for size, low in (("phone", True), ("desk", False)):
        page = open_page(size)
        sign_in(page, owner)
        box = page.locator(".ways").bounding_box()
        assert box is not None
        assert (box["y"] > 700) is low
