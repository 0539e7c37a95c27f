"""Pages of a train whose numbers are behind fetch the new ones by themselves."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from cartridges.models import Train
from hobbyhydro.households.models import User
from tests.cartridges.estimate_rows import estimate_train

from .test_every_page import enter


@pytest.fixture
def behind(settings, train: Train) -> Train:
    """Rows of figures that no calculation would give, on a train that was changed since."""
    settings.MODEL_MEMBERS = 256
    estimate_train(train, days={2: (900, 901, 902)})
    Train.objects.filter(pk=train.pk).update(stale=True)
    return train


def address_of(page: str, train: Train) -> str:
    return reverse(page, args=[train.stages.get(position=2).pk] if page == "stage" else None)


@pytest.mark.parametrize("page_of", ["home", "stage", "shelf"])
def test_new_numbers_come_without_a_press(
    open_page: Callable[..., Page], owner: User, behind: Train, page_of: str
) -> None:
    address = address_of(page_of, behind)
    page = open_page("phone")
    enter(page, owner)
    page.goto(address)
    expect(page.locator(".stale")).to_have_count(0)
    expect(page.locator("main")).not_to_contain_text("901 days")
    behind.refresh_from_db()
    assert not behind.stale


@pytest.mark.parametrize("page_of", ["home", "stage", "shelf"])
def test_without_a_script_a_press_brings_them_and_leads_back(
    open_page: Callable[..., Page], owner: User, behind: Train, page_of: str
) -> None:
    address = address_of(page_of, behind)
    page = open_page("phone", java_script_enabled=False)
    enter(page, owner)
    page.goto(address)
    expect(page.get_by_text("these are the former numbers")).to_be_visible()
    expect(page.get_by_text("Until it is done")).to_be_hidden()
    expect(page.locator("main")).to_contain_text("901")
    page.get_by_role("button", name="Recalculate now").click()
    expect(page.locator(".stale")).to_have_count(0)
    expect(page.locator("main")).not_to_contain_text("901 days")
    if page_of != "home":
        assert page.url.endswith(address)


def test_without_a_script_the_tables_of_charts_stand_open(
    open_page: Callable[..., Page], owner: User, train: Train
) -> None:
    estimate_train(train)
    page = open_page("phone", java_script_enabled=False)
    enter(page, owner)
    page.goto(reverse("stage", args=[train.stages.get(position=2).pk]))
    expect(page.get_by_text("Charts need JavaScript").first).to_be_visible()
    tables = page.locator(".chart-table .table-scroll")
    assert tables.count() == 3
    for k in range(3):
        expect(tables.nth(k)).to_be_visible()
