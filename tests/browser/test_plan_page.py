"""The plan in a real browser: made when it is behind, and switched to the other policy."""

from __future__ import annotations

from collections.abc import Callable

from playwright.sync_api import Page, expect

from cartridges.models import Train
from cartridges.services.estimates import refresh
from hobbyhydro.households.models import User
from schedule.models import PlanSummary

from .conftest import assert_accessible, assert_fits
from .test_every_page import enter


def test_a_plan_that_is_behind_makes_itself(
    open_page: Callable[..., Page], train: Train, owner: User, settings
) -> None:
    settings.MODEL_MEMBERS = 64
    refresh(train)
    page = open_page("phone")
    enter(page, owner)
    page.goto(f"/trains/{train.pk}/plan/")
    expect(page.get_by_role("heading", name="Every visit in 24 months")).to_be_visible(
        timeout=30_000
    )
    assert PlanSummary.objects.get(train=train).fingerprint
    expect(page.get_by_text("Make it now")).to_have_count(0)
    drawn = page.locator("[data-chart='figure-plan'][data-drawn]")
    page.locator("[data-chart='figure-plan']").scroll_into_view_if_needed()
    expect(drawn).to_have_count(1)
    assert_accessible(page)
    assert_fits(page)


def test_the_policy_is_switched_and_back(
    open_page: Callable[..., Page], train: Train, owner: User, settings
) -> None:
    settings.MODEL_MEMBERS = 64
    refresh(train)
    page = open_page("desk")
    enter(page, owner)
    page.goto(f"/trains/{train.pk}/plan/")
    page.get_by_role("button", name="Plan by same day from now on").click()
    expect(page.get_by_text("is planned by same day from now on")).to_be_visible()
    expect(page.get_by_role("columnheader", name="Same day (yours)")).to_be_visible()
    train.refresh_from_db()
    assert train.policy == "same_day"
    page.get_by_role("button", name="Plan by lead–lag from now on").click()
    expect(page.get_by_role("columnheader", name="Lead–lag (yours)")).to_be_visible()
