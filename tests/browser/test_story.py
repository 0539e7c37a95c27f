"""The main job, as a new keeper meets it: sign up, describe the train, log, see the days move."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from cartridges.models import Estimate

from .conftest import assert_accessible, assert_fits

PASSWORD = "seven wet stones"


@pytest.fixture(autouse=True)
def fewer_members(settings) -> None:
    settings.MODEL_MEMBERS = 512


def go_on(page: Page, to: str) -> None:
    """Check the step for what axe finds and for width, then take the next one."""
    assert_accessible(page)
    assert_fits(page)
    page.get_by_role("button", name=re.compile(f"^Next: {to}")).click()
    page.wait_for_url(f"**/{to}/")


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_from_signing_up_to_days_that_move(open_page: Callable[..., Page], size: str) -> None:
    page = open_page(size)
    page.goto("/")
    page.get_by_role("link", name="Set up your train").first.click()
    page.get_by_label("Email").fill("mika@example.org")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("Password (again)").fill(PASSWORD)
    page.get_by_role("button", name="Sign up").click()
    page.wait_for_url("**/setup/**")

    go_on(page, "train")
    go_on(page, "stages")
    go_on(page, "cartridges")
    a_month_ago = (dt.date.today() - dt.timedelta(days=30)).isoformat()
    for stage in page.locator("fieldset, section").filter(has_text="Stage ").all():
        known = stage.get_by_label("On a day that I know")
        if known.count() == 1:
            known.check()
            stage.get_by_label("Day", exact=True).fill(a_month_ago)
    go_on(page, "flow")
    page.get_by_label("Restrictor’s rated flow").fill("60")
    go_on(page, "answer")

    # The first answer stands on the screen before the last step.
    first = {e.stage.position: e for e in Estimate.objects.select_related("stage")}
    assert set(first) == {1, 2, 3}
    expect(page.locator("main")).to_contain_text(f"{first[3].days_p50}")
    go_on(page, "finish")
    page.get_by_role("button", name="Finish", exact=True).click()
    page.wait_for_url(re.compile(r"/trains/\d+/$"))
    assert_accessible(page)
    expect(page.locator("main")).to_contain_text(f"{first[3].days_p50} days")

    # A bucket test finds far more water than the restrictor promised.
    page.get_by_role("link", name="Bucket test").first.click()
    page.get_by_label("Water caught").fill("500")
    page.get_by_label(re.compile("^Time taken")).fill("130")
    page.get_by_role("button", name=re.compile("^(Log|Save)")).click()
    page.wait_for_url(re.compile(r"/trains/\d+/"))
    expect(page.get_by_text("Recalculating")).to_have_count(0)
    after = Estimate.objects.get(stage__position=3)
    assert after.days_p50 is not None and first[3].days_p50 is not None
    assert after.days_p50 < first[3].days_p50
    expect(page.locator("main")).to_contain_text(f"{after.days_p50} days")

    # And taking it back brings the days back.
    page.get_by_role("button", name="Undo").first.click()
    page.wait_for_url(re.compile(r"/(trains|facts)/"))
    page.goto(f"/trains/{after.train_id}/")
    expect(page.get_by_text("Recalculating")).to_have_count(0)
    again = Estimate.objects.get(stage__position=3)
    assert again.days_p50 is not None
    assert abs(again.days_p50 - first[3].days_p50) <= 1
