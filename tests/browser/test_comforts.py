"""What the scripts of the forms do while one types, in a real browser."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from cartridges.models import Meter, MeterReading, Train
from hobbyhydro.households.models import Household, User
from tests.conftest import PASSWORD


def sign_in(page: Page, person: User, then: str) -> None:
    page.goto(f"/account/login/?next={then}")
    page.get_by_label("Email").fill(person.email)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**{then}")


@pytest.fixture
def litres(train: Train) -> Train:
    """A train whose meter counts litres and showed 300 of them last, thirty days ago."""
    readings = train.meter_readings.order_by("at")
    MeterReading.objects.exclude(pk=readings[1].pk).delete()
    MeterReading.objects.update(reading_l=300.0)
    Meter.objects.update(unit=Meter.Unit.LITRE)
    return train


@pytest.mark.parametrize(
    ("typed", "litres_since"),
    [
        ("1.340,5", 1040.5),
        ("1,340.5", 1040.5),
        ("1,340", 1040.0),
        ("1 340,5", 1040.5),
        ("1340,5", 1040.5),
        ("1.234.567", 1_234_267.0),
        ("360,25", 60.25),
    ],
)
def test_the_flow_is_told_for_figures_as_people_write_them(
    open_page: Callable[..., Page],
    litres: Train,
    keeper: User,
    typed: str,
    litres_since: float,
) -> None:
    keeper.units = "metric"
    keeper.save()
    page = open_page("phone")
    sign_in(page, keeper, f"/trains/{litres.pk}/log/meter-reading/")
    expect(page.locator("input[name=reading]")).to_be_focused()
    page.keyboard.type(typed)
    words = page.locator(".log-live").inner_text()
    shown_l_day = float(words.split()[1].replace(",", ""))
    assert shown_l_day == pytest.approx(litres_since / 30, rel=1e-3, abs=0.5)


@pytest.mark.parametrize(
    ("device", "offered"),
    [("America/Chicago", "America/Chicago"), ("Asia/Calcutta", "Asia/Kolkata")],
)
def test_the_first_train_finds_the_devices_clock(
    open_page: Callable[..., Page], household: Household, owner: User, device: str, offered: str
) -> None:
    """A device may know a place by an alias, which the list leaves out."""
    page = open_page("desk", timezone_id=device)
    sign_in(page, owner, "/setup/")
    expect(page.locator("select[name=time_zone]")).to_have_value(offered)
