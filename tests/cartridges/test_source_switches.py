"""Periods in which the utility runs another disinfectant."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Source, SwitchPeriod, Train
from cartridges.services.timeline import Timeline
from hobbyhydro.households.models import Household

MARCH = {"to": "free_chlorine", "first_day": "2025-03-01", "last_day": "2025-03-31"}


@pytest.fixture
def tap(train: Train) -> Source:
    Household.objects.update(time_zone="America/Chicago")
    return Source.objects.get(pk=train.source_id)


@pytest.fixture
def march(tap: Source, as_keeper: Client) -> SwitchPeriod:
    as_keeper.post(f"/water/{tap.pk}/switches/new/", MARCH)
    return tap.switches.get()


def standing(tap: Source) -> list[tuple[str, str]]:
    zone = tap.household.zone
    rows = tap.switches.filter(withdrawn_at__isnull=True).order_by("at")
    return [
        (f"{s.at.astimezone(zone):%Y-%m-%d}", f"{s.until.astimezone(zone):%Y-%m-%d}") for s in rows
    ]


def test_add_works(tap: Source, train: Train, as_keeper: Client) -> None:
    assert as_keeper.get(f"/water/{tap.pk}/switches/new/").status_code == 200
    Train.objects.update(stale=False)
    answer = as_keeper.post(f"/water/{tap.pk}/switches/new/", {**MARCH, "remark": "by post"})
    assert answer["Location"] == f"/water/{tap.pk}/"
    switch = tap.switches.get()
    # Whole days on Chicago's clock: UTC-6 before the 9th, UTC-5 after it.
    assert switch.at == dt.datetime(2025, 3, 1, 6, tzinfo=dt.UTC)
    assert switch.until == dt.datetime(2025, 4, 1, 4, 59, 59, tzinfo=dt.UTC)
    assert switch.remark == "by post"
    assert switch.logged_by is not None and switch.logged_by.email == "keeper@example.org"
    train.refresh_from_db()
    assert train.stale


def test_one_day_is_a_period(tap: Source, as_keeper: Client) -> None:
    as_keeper.post(f"/water/{tap.pk}/switches/new/", {**MARCH, "last_day": "2025-03-01"})
    assert standing(tap) == [("2025-03-01", "2025-03-01")]


def test_announced_ahead_is_fine(tap: Source, as_keeper: Client) -> None:
    first = timezone.localdate() + dt.timedelta(days=40)
    days = {"first_day": first.isoformat(), "last_day": (first + dt.timedelta(30)).isoformat()}
    as_keeper.post(f"/water/{tap.pk}/switches/new/", {**MARCH, **days})
    assert tap.switches.count() == 1


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"last_day": "2025-02-01"}, "last_day", "before the first"),
        ({"last_day": "2026-04-30"}, "last_day", "more than a year"),
        ({"to": "chloramine"}, "to", "has chloramine already"),
        ({"first_day": ""}, "first_day", "On which day does it begin?"),
        ({"first_day": "soon"}, "first_day", "not a date"),
        ({"first_day": "2025-02-30"}, "first_day", "not a date"),
        ({"first_day": "0025-03-01"}, "first_day", "check the year"),
        ({"last_day": "9025-03-01"}, "last_day", "check the year"),
        ({"to": "ozone"}, "to", "valid choice"),
    ],
)
def test_add_keeps_what_was_typed(
    tap: Source, as_keeper: Client, changes: dict[str, str], field: str, words: str
) -> None:
    typed = {**MARCH, **changes}
    answer = as_keeper.post(f"/water/{tap.pk}/switches/new/", typed)
    assert answer.status_code == 200
    assert words in answer.context["form"].errors[field][0]
    assert answer.context["form"][field].value() == typed[field]
    assert not tap.switches.exists()


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("2025-02-01", "2025-03-01"),
        ("2025-03-31", "2025-04-15"),
        ("2025-03-10", "2025-03-12"),
        ("2025-02-01", "2025-05-01"),
    ],
)
def test_overlap_is_refused(march: SwitchPeriod, as_keeper: Client, first: str, last: str) -> None:
    answer = as_keeper.post(
        f"/water/{march.source_id}/switches/new/", {**MARCH, "first_day": first, "last_day": last}
    )
    assert "1 Mar 2025 to 31 Mar 2025" in answer.context["form"].errors["first_day"][0]
    assert march.source.switches.count() == 1


def test_the_day_after_is_no_overlap(march: SwitchPeriod, as_keeper: Client) -> None:
    as_keeper.post(
        f"/water/{march.source_id}/switches/new/",
        {**MARCH, "first_day": "2025-04-01", "last_day": "2025-04-02"},
    )
    assert march.source.switches.count() == 2


def test_correct_works(march: SwitchPeriod, as_keeper: Client) -> None:
    page = as_keeper.get(f"/switches/{march.pk}/correct/")
    assert page.context["form"].initial["last_day"] == dt.date(2025, 3, 31)
    as_keeper.post(
        f"/switches/{march.pk}/correct/",
        {**MARCH, "last_day": "2025-04-06", "why": "it took longer"},
    )
    assert standing(march.source) == [("2025-03-01", "2025-04-06")]
    march.refresh_from_db()
    assert not march.stands
    fresh = march.source.switches.get(withdrawn_at__isnull=True)
    assert fresh.replaces == march and fresh.why == "it took longer"
    page = as_keeper.get(f"/water/{march.source_id}/").content.decode()
    assert "it took longer" in page


def test_correct_keeps_what_was_typed(march: SwitchPeriod, as_keeper: Client) -> None:
    answer = as_keeper.post(
        f"/switches/{march.pk}/correct/", {**MARCH, "last_day": "2025-02-01", "why": "a slip"}
    )
    assert "before the first" in answer.context["form"].errors["last_day"][0]
    assert answer.context["form"]["why"].value() == "a slip"
    assert standing(march.source) == [("2025-03-01", "2025-03-31")]


def test_correcting_twice_from_an_old_page_says_so(march: SwitchPeriod, as_keeper: Client) -> None:
    as_keeper.post(f"/switches/{march.pk}/correct/", {**MARCH, "last_day": "2025-03-20"})
    answer = as_keeper.post(f"/switches/{march.pk}/correct/", {**MARCH, "last_day": "2025-02-28"})
    assert answer.context["form"].errors
    again = as_keeper.post(
        f"/switches/{march.pk}/correct/",
        {**MARCH, "first_day": "2025-05-01", "last_day": "2025-05-02"},
    )
    assert "corrected or undone in the meantime" in str(again.context["form"].errors)
    assert standing(march.source) == [("2025-03-01", "2025-03-20")]


def test_undo_and_redo(march: SwitchPeriod, as_keeper: Client) -> None:
    as_keeper.post(f"/switches/{march.pk}/undo/")
    assert standing(march.source) == []
    assert "Put it back" in as_keeper.get(f"/water/{march.source_id}/").content.decode()
    as_keeper.post(f"/switches/{march.pk}/redo/")
    assert standing(march.source) == [("2025-03-01", "2025-03-31")]


def test_undoing_a_correction_lets_the_old_one_hold(march: SwitchPeriod, as_keeper: Client) -> None:
    as_keeper.post(f"/switches/{march.pk}/correct/", {**MARCH, "last_day": "2025-03-10"})
    fresh = march.source.switches.get(withdrawn_at__isnull=True)
    as_keeper.post(f"/switches/{fresh.pk}/undo/")
    assert standing(march.source) == [("2025-03-01", "2025-03-31")]
    as_keeper.post(f"/switches/{fresh.pk}/redo/")
    assert standing(march.source) == [("2025-03-01", "2025-03-10")]


def test_putting_back_cannot_make_two_overlap(march: SwitchPeriod, as_keeper: Client) -> None:
    as_keeper.post(f"/switches/{march.pk}/undo/")
    other = {**MARCH, "first_day": "2025-03-15", "last_day": "2025-04-15"}
    as_keeper.post(f"/water/{march.source_id}/switches/new/", other)
    answer = as_keeper.post(f"/switches/{march.pk}/redo/", follow=True)
    assert "two cannot overlap" in answer.content.decode()
    assert standing(march.source) == [("2025-03-15", "2025-04-15")]


def test_undoing_a_correction_cannot_make_two_overlap(
    march: SwitchPeriod, as_keeper: Client
) -> None:
    as_keeper.post(f"/switches/{march.pk}/correct/", {**MARCH, "last_day": "2025-03-10"})
    fresh = march.source.switches.get(withdrawn_at__isnull=True)
    other = {**MARCH, "first_day": "2025-03-15", "last_day": "2025-04-15"}
    as_keeper.post(f"/water/{march.source_id}/switches/new/", other)
    answer = as_keeper.post(f"/switches/{fresh.pk}/undo/", follow=True)
    assert "two cannot overlap" in answer.content.decode()
    assert standing(march.source) == [("2025-03-01", "2025-03-10"), ("2025-03-15", "2025-04-15")]


def test_add_needs_keeper(tap: Source, as_viewer: Client) -> None:
    assert as_viewer.get(f"/water/{tap.pk}/switches/new/").status_code == 403
    assert as_viewer.post(f"/water/{tap.pk}/switches/new/", MARCH).status_code == 403
    assert not tap.switches.exists()


def test_acts_need_keeper(march: SwitchPeriod, as_viewer: Client) -> None:
    assert as_viewer.get(f"/switches/{march.pk}/correct/").status_code == 403
    for act in ("correct", "undo", "redo"):
        assert as_viewer.post(f"/switches/{march.pk}/{act}/", MARCH).status_code == 403
    assert standing(march.source) == [("2025-03-01", "2025-03-31")]


def test_hides_from_strangers(march: SwitchPeriod, as_stranger: Client) -> None:
    assert as_stranger.get(f"/water/{march.source_id}/switches/new/").status_code == 404
    for act in ("correct", "undo", "redo"):
        assert as_stranger.post(f"/switches/{march.pk}/{act}/", MARCH).status_code == 404


@pytest.mark.parametrize("act", ["undo", "redo"])
def test_acts_reject_get(march: SwitchPeriod, as_keeper: Client, act: str) -> None:
    assert as_keeper.get(f"/switches/{march.pk}/{act}/").status_code == 405


def test_a_change_for_good_leaves_the_past_as_it_was(as_keeper: Client, train: Train) -> None:
    today = timezone.localdate()
    before = Timeline(train, timezone.now()).source[0]
    first = (today - dt.timedelta(days=10)).isoformat()
    tap = train.source_id
    as_keeper.post(f"/water/{tap}/switches/new/", {**MARCH, "first_day": first, "last_day": ""})
    switch = SwitchPeriod.objects.get()
    assert switch.is_for_good
    assert switch.summary(units="us").endswith("for good")
    past, future = Timeline(train, timezone.now()).source
    early = past.end_day <= past.start_day[-1]
    assert past.combined_mg_l[early] == pytest.approx(before.combined_mg_l[0])
    assert past.combined_mg_l[-1] == 0.0
    assert (future.combined_mg_l == 0.0).all()
    page = as_keeper.get(f"/water/{tap}/").content.decode()
    assert "on, for good" in page and "9999" not in page
    again = as_keeper.post(f"/water/{tap}/switches/new/", {**MARCH, "first_day": today.isoformat()})
    assert again.status_code == 200  # overlaps
