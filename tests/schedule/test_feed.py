"""The calendar feed: who may read it, and how it follows what is to be done."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from django.utils.http import http_date, parse_http_date
from pytest_django import Settings

from cartridges.models import CartridgeSpec, Train
from cartridges.services import acts, estimates
from hobbyhydro.households.models import Household, User
from schedule.models import CalendarEvent, Chore, FeedToken, NoticeWishes, PlannedSwap
from schedule.services import chore_acts, feed, feed_address, plan

from .feeds import Agenda, address_of, components, events, item, read, told

__all__ = ["told"]
SWAP = "swap:stage-1:cartridge-1"
DAY = dt.date(2026, 12, 24)


@pytest.fixture
def address(told: Agenda, household: Household, keeper: User) -> str:
    """The keeper's own; there is one swap to do."""
    told.say(item(SWAP, DAY))
    return address_of(household, keeper)


def only(address: str) -> dict[str, str]:
    [event] = events(read(address).content)
    return event


# Who may read


def test_works_without_signing_in(address: str) -> None:
    answer = read(address)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer.content.startswith(b"BEGIN:VCALENDAR\r\n")
    assert only(address)["DTSTART"] == "20261224"


def test_only_a_digest_of_the_secret_is_kept(address: str) -> None:
    secret = address.removeprefix("/calendar/").removesuffix(".ics")
    token = FeedToken.objects.get()
    assert len(secret) >= 43  # 32 random bytes
    assert token.digest != secret and len(token.digest) == 64
    for value in FeedToken.objects.values().get().values():
        assert secret not in str(value)


@pytest.mark.parametrize(
    "secret", ["x", "A" * 43, "%00", "..%2F..", "é" * 40, "a" * 5000, "' OR 1=1 --"]
)
def test_an_unknown_secret_is_404(address: str, secret: str) -> None:
    assert Client().get(f"/calendar/{secret}.ics").status_code == 404


def test_a_revoked_address_is_404(address: str, household: Household, keeper: User) -> None:
    fresh = address_of(household, keeper)
    assert read(address).status_code == 404
    assert read(fresh).status_code == 200
    feed_address.stop(household.memberships.get(person=keeper))
    assert read(fresh).status_code == 404


def test_who_left_the_household_reads_nothing(
    address: str, household: Household, keeper: User
) -> None:
    household.memberships.get(person=keeper).delete()
    assert read(address).status_code == 404


def test_who_may_not_sign_in_any_more_reads_nothing(address: str, keeper: User) -> None:
    keeper.is_active = False
    keeper.save(update_fields=["is_active"])
    assert read(address).status_code == 404


def test_a_viewer_may_have_one(told: Agenda, household: Household, viewer: User) -> None:
    told.say(item(SWAP, DAY))
    assert len(events(read(address_of(household, viewer)).content)) == 1


def test_each_address_shows_its_own_household(address: str, told: Agenda, stranger: User) -> None:
    theirs = read(address_of(stranger.households.get(), stranger)).content
    assert b"Elsewhere" in theirs and b"Fern Street" not in theirs


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_rejects_writing(address: str, method: str) -> None:
    assert getattr(Client(), method)(address).status_code == 405


# How it follows


def test_reading_twice_says_the_same(address: str) -> None:
    first = read(address).content
    assert read(address).content == first
    assert CalendarEvent.objects.count() == 1


def test_a_moved_day_moves_the_same_event(address: str, told: Agenda) -> None:
    before = only(address)
    told.say(item(SWAP, DAY + dt.timedelta(days=5)))
    after = only(address)
    assert after["UID"] == before["UID"]
    assert (before["SEQUENCE"], after["SEQUENCE"]) == ("0", "1")
    assert (after["DTSTART"], after["DTEND"]) == ("20261229", "20261230")


def test_other_words_raise_the_sequence(address: str, told: Agenda) -> None:
    uid = only(address)["UID"]
    told.say(item(SWAP, DAY, why="the package’s volume is used up"))
    after = only(address)
    assert (after["UID"], after["SEQUENCE"]) == (uid, "1")
    assert "volume is used up" in after["DESCRIPTION"]


def test_what_no_longer_applies_is_cancelled_for_a_while_and_then_gone(
    address: str, told: Agenda
) -> None:
    began = timezone.now()
    before = only(address)
    told.say()
    cancelled = only(address)
    assert (cancelled["UID"], cancelled["STATUS"]) == (before["UID"], "CANCELLED")
    assert cancelled["SEQUENCE"] == "1"
    assert components(read(address).content, "VALARM") == []
    with time_machine.travel(began + feed.SAID_AS_CANCELLED - dt.timedelta(hours=1)):
        assert only(address) == cancelled
    with time_machine.travel(began + feed.SAID_AS_CANCELLED + dt.timedelta(hours=1)):
        assert events(read(address).content) == []
    with time_machine.travel(began + feed.FORGOTTEN_AFTER + dt.timedelta(hours=1)):
        read(address)
    assert not CalendarEvent.objects.exists()


def test_what_comes_back_is_the_same_event(address: str, told: Agenda) -> None:
    uid = only(address)["UID"]
    told.say()
    read(address)
    told.say(item(SWAP, DAY))
    back = only(address)
    assert (back["UID"], back["STATUS"], back["SEQUENCE"]) == (uid, "CONFIRMED", "2")


def test_two_people_of_one_household_have_the_same_events(
    address: str, household: Household, owner: User
) -> None:
    assert only(address) == only(address_of(household, owner))


def test_alarms_come_at_each_persons_hour_and_lead(
    address: str, told: Agenda, household: Household, keeper: User, owner: User
) -> None:
    told.say(item(SWAP, DAY), item("chore:1:2026-12-24", DAY, kind="chore"))
    place = household.memberships.get(person=keeper)
    NoticeWishes.objects.create(membership=place, lead_days=3, hour=18)

    def triggers(where: str) -> list[str]:
        return sorted(a["TRIGGER"][0][2] for a in components(read(where).content, "VALARM"))

    assert triggers(address) == ["-P2DT6H", "PT18H"]
    assert triggers(address_of(household, owner)) == ["-P6DT16H", "PT8H"]


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("America/Denver", dt.date(2026, 3, 8)),  # the clocks go forward
        ("America/Denver", dt.date(2026, 11, 1)),  # and back
        ("Pacific/Apia", dt.date(2028, 2, 29)),
        ("Pacific/Kiritimati", dt.date(2026, 12, 31)),
        ("America/Sao_Paulo", dt.date(2026, 10, 18)),
    ],
)
def test_no_zone_and_no_clock_change_shifts_a_day(
    address: str, told: Agenda, household: Household, zone: str, day: dt.date
) -> None:
    household.time_zone = zone
    household.save(update_fields=["time_zone"])
    told.say(item(SWAP, day))
    for moment in (dt.time(0, 30), dt.time(2, 30), dt.time(23, 30)):
        at = dt.datetime.combine(day, moment, tzinfo=household.zone)
        with time_machine.travel(at):
            event = only(address)
        assert event["DTSTART"] == f"{day:%Y%m%d}"
        assert event["DTEND"] == f"{day + dt.timedelta(days=1):%Y%m%d}"
        assert event["SEQUENCE"] == "0"


# Reading again


def test_304_by_etag(address: str, told: Agenda) -> None:
    first = read(address)
    assert read(address, if_none_match=first["ETag"]).status_code == 304
    assert read(address, if_none_match=first["ETag"]).content == b""
    told.say(item(SWAP, DAY + dt.timedelta(days=1)))
    moved = read(address, if_none_match=first["ETag"])
    assert moved.status_code == 200 and moved["ETag"] != first["ETag"]


def test_304_by_date(address: str, told: Agenda, household: Household) -> None:
    began = timezone.now()
    with time_machine.travel(began, tick=False):
        said = read(address)["Last-Modified"]
    later = began + dt.timedelta(minutes=10)
    with time_machine.travel(later, tick=False):
        unchanged = read(address, if_modified_since=said)
        assert unchanged.status_code == 304 and unchanged["Last-Modified"] == said
        household.name = "Fern Lane"  # no event has changed, but what is read has
        household.save(update_fields=["name"])
        renamed = read(address, if_modified_since=said)
    assert renamed.status_code == 200 and b"Fern Lane" in renamed.content
    assert parse_http_date(renamed["Last-Modified"]) == int(later.timestamp())
    assert renamed["Last-Modified"] == http_date(later.timestamp())


def test_head_works(address: str) -> None:
    answer = Client().head(address)
    assert answer.status_code == 200 and answer["ETag"] == read(address)["ETag"]


def test_when_it_was_last_read_is_remembered(address: str) -> None:
    read(address)
    first = FeedToken.objects.get().read_at
    assert first is not None
    read(address)
    assert FeedToken.objects.get().read_at == first  # not with every reading
    with time_machine.travel(timezone.now() + dt.timedelta(hours=6)):
        read(address)
    assert FeedToken.objects.get().read_at > first


# On the real agenda


@pytest.fixture
def planned(train: Train, settings: Settings) -> Train:
    settings.MODEL_MEMBERS = 64
    estimates.refresh(train)
    plan.replan(train)
    return train


def days_of(stream: bytes) -> dict[str, str]:
    return {event["SUMMARY"]: event["DTSTART"] for event in events(stream)[::-1]}


def test_plan_and_chores_stand_in_it(planned: Train, household: Household, keeper: User) -> None:
    found = days_of(read(address_of(household, keeper)).content)
    swap = PlannedSwap.objects.filter(visit__train=planned).earliest("visit__on")
    assert f"{swap.visit.on:%Y%m%d}" in found.values()
    assert "Read the meter" in found and "Test between the carbon stages" in found


def test_a_chore_that_is_put_off_moves_its_event(
    planned: Train, household: Household, keeper: User
) -> None:
    address = address_of(household, keeper)
    title = "Read the meter"
    before = next(e for e in events(read(address).content) if e["SUMMARY"] == title)
    turn = planned.chores.get(starter_key="meter").turns.get()
    to = turn.due_on + dt.timedelta(days=2)
    chore_acts.put_off(turn, to=to, by=keeper, reason="away")
    after = next(e for e in events(read(address).content) if e["UID"] == before["UID"])
    assert (after["DTSTART"], after["SEQUENCE"]) == (f"{to:%Y%m%d}", "1")


def test_a_swap_that_is_logged_leaves_the_calendar(
    planned: Train, household: Household, keeper: User
) -> None:
    address = address_of(household, keeper)
    read(address)
    swap = PlannedSwap.objects.filter(visit__train=planned, stage__position=2).earliest("visit__on")
    thing = f"swap:stage-{swap.stage_id}:cartridge-{swap.replaces_id}"
    uid = str(CalendarEvent.objects.get(thing=thing).uid)
    [fresh] = acts.buy(
        household=household, spec=CartridgeSpec.objects.get(starter_key="block-slim")
    )
    acts.swap(stage=swap.stage, cartridge=fresh, at=timezone.now(), by=keeper)
    found = {e["UID"]: e for e in events(read(address).content)}
    assert found[uid]["STATUS"] == "CANCELLED"
    again = CalendarEvent.objects.get(thing=f"swap:stage-{swap.stage_id}:cartridge-{fresh.pk}")
    assert found[str(again.uid)]["STATUS"] == "CONFIRMED"


def test_links_lead_to_pages_that_are_there(
    planned: Train, household: Household, keeper: User, as_keeper: Client
) -> None:
    stream = read(address_of(household, keeper)).content
    paths = {e["URL"].removeprefix("http://testserver") for e in events(stream)}
    assert reverse("log-fact", args=[planned.pk, "meter-reading"]) in paths
    assert {as_keeper.get(path).status_code for path in paths} == {200}


def test_costs_a_fixed_number_of_queries(
    planned: Train, household: Household, keeper: User
) -> None:
    address = address_of(household, keeper)

    def queries() -> int:
        read(address)
        with CaptureQueriesContext(connection) as found:
            read(address)
        return len(found)

    few = queries()
    values: dict[str, Any] = {"rule": "FREQ=DAILY", "start": timezone.localdate()}
    for k in range(12):
        Chore.objects.create(household=household, title=f"Chore {k}", **values)
    many = queries()
    assert len(events(read(address).content)) > 500
    assert many == few <= 30
