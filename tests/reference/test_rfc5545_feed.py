"""The calendar held to RFC 5545 and RFC 7986, by hand and by a second reader.

Sections are named beside each check. The stream is written with icalendar; it is read here by a
few lines of our own (tests/schedule/feeds.py) and by vobject.
"""

from __future__ import annotations

import datetime as dt
import re

import pytest
import vobject
from django.utils import timezone

from hobbyhydro.households.models import Household, User
from tests.schedule.feeds import (
    Agenda,
    address_of,
    components,
    content_lines,
    events,
    item,
    read,
    told,
    unescaped,
)

__all__ = ["told"]
DAY = dt.date(2026, 11, 1)  # the clocks go back in Denver on this day
AWKWARD = "Rinse; wipe, dry \\ and look:\nthen “größer” 漢字 " + "é" * 80


@pytest.fixture
def stream(told: Agenda, household: Household, keeper: User) -> bytes:
    """A feed with an awkward name and awkward words in it."""
    household.name = "Fern; Street, \\ 14"
    household.time_zone = "America/Denver"
    household.save()
    told.say(
        item("swap:stage-1:cartridge-1", DAY),
        item("chore:1:2026-11-08", DAY + dt.timedelta(days=7), kind="chore", title=AWKWARD,
             why="a reason; with, marks\nand lines"),
    )  # fmt: skip
    body: bytes = read(address_of(household, keeper)).content
    return body


def test_lines_end_with_crlf_and_hold_at_most_75_octets(stream: bytes) -> None:
    """Section 3.1."""
    assert stream.endswith(b"\r\n")
    assert stream.count(b"\n") == stream.count(b"\r\n") == stream.count(b"\r")
    lines = stream.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    assert any(line.startswith(b" ") for line in lines)  # something had to be folded


def test_no_fold_splits_a_character(stream: bytes) -> None:
    """Section 3.1 allows it and warns of it; ours does not."""
    for line in stream.split(b"\r\n"):
        line.decode("utf-8")


def test_names_are_iana_tokens_or_x_names(stream: bytes) -> None:
    """Section 3.1, ABNF of ``name``."""
    assert all(re.fullmatch(r"[A-Z0-9-]+", name) for name, _, _ in content_lines(stream))


def test_one_calendar_object_with_product_and_version(stream: bytes) -> None:
    """Sections 3.4, 3.6, 3.7.3 and 3.7.4."""
    lines = content_lines(stream)
    assert lines[0] == ("BEGIN", {}, "VCALENDAR") and lines[-1] == ("END", {}, "VCALENDAR")
    [calendar] = components(stream, "VCALENDAR")
    assert [v for _, _, v in calendar["VERSION"]] == ["2.0"]
    assert len(calendar["PRODID"]) == 1
    assert [v for _, _, v in calendar["CALSCALE"]] == ["GREGORIAN"]


def test_an_event_has_what_it_must_have_once(stream: bytes) -> None:
    """Section 3.6.1: UID and DTSTAMP are required and once, DTEND excludes DURATION."""
    found = events(stream)
    assert len(found) == 2
    for event in found:
        assert {"UID", "DTSTAMP", "DTSTART", "SEQUENCE", "LAST-MODIFIED"} <= event.keys()
        assert ("DTEND" in event) != ("DURATION" in event)


def test_days_are_dates_without_time_or_zone(stream: bytes) -> None:
    """Sections 3.3.4, 3.6.1 and 3.8.2.2: DATE values, and the end is not included."""
    for one in components(stream, "VEVENT"):
        [(_, start_is, start)], [(_, end_is, end)] = one["DTSTART"], one["DTEND"]
        assert start_is == end_is == {"VALUE": "DATE"}
        first, after = (dt.datetime.strptime(v, "%Y%m%d").date() for v in (start, end))
        assert after - first == dt.timedelta(days=1)
    assert events(stream)[0]["DTSTART"] == "20261101"


def test_stamps_are_moments_in_utc(stream: bytes) -> None:
    """Sections 3.3.5 (form 2), 3.8.7.2 and 3.8.7.3."""
    for event in events(stream):
        for name in ("DTSTAMP", "LAST-MODIFIED"):
            assert re.fullmatch(r"\d{8}T\d{6}Z", event[name])
            moment = dt.datetime.strptime(event[name], "%Y%m%dT%H%M%SZ").replace(tzinfo=dt.UTC)
            assert abs(timezone.now() - moment) < dt.timedelta(minutes=1)


def test_uids_are_globally_unique(stream: bytes) -> None:
    """Section 3.8.4.7, and RFC 7986, section 5.3, which asks for a UUID."""
    uids = [event["UID"] for event in events(stream)]
    assert len(set(uids)) == 2
    assert all(re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uid) for uid in uids)


def test_text_is_escaped_and_reads_back(stream: bytes) -> None:
    """Section 3.3.11: backslash, semicolon, comma and line break."""
    raw = events(stream)[1]
    assert "\\;" in raw["SUMMARY"] and "\\," in raw["SUMMARY"] and "\\n" in raw["SUMMARY"]
    assert unescaped(raw["SUMMARY"]) == AWKWARD
    assert unescaped(raw["DESCRIPTION"]) == "A reason; with, marks\nand lines"
    [calendar] = components(stream, "VCALENDAR")
    assert unescaped(calendar["X-WR-CALNAME"][0][2]).startswith("Fern; Street, \\ 14")


def test_status_and_transparency_are_of_those_there_are(stream: bytes) -> None:
    """Sections 3.8.1.11 and 3.8.2.7."""
    for event in events(stream):
        assert event["STATUS"] in ("CONFIRMED", "CANCELLED", "TENTATIVE")
        assert event["TRANSP"] in ("OPAQUE", "TRANSPARENT")
        assert int(event["SEQUENCE"]) >= 0  # section 3.8.7.4


def test_url_is_an_absolute_uri(stream: bytes) -> None:
    """Sections 3.3.13 and 3.8.4.6."""
    assert events(stream)[0]["URL"] == "http://testserver/trains/1/log/swap/?stage=2"


def test_an_alarm_shows_words_before_or_on_the_day(stream: bytes) -> None:
    """Sections 3.6.6 and 3.8.6: a display alarm has action, trigger and description, once each.

    Of a DATE the trigger counts from its midnight (section 3.8.6.3): seven days ahead at eight
    o'clock is six days and sixteen hours before, and eight o'clock of the day eight hours after.
    """
    alarms = components(stream, "VALARM")
    for alarm in alarms:
        assert [v for _, _, v in alarm["ACTION"]] == ["DISPLAY"]
        assert len(alarm["TRIGGER"]) == len(alarm["DESCRIPTION"]) == 1
    assert [alarm["TRIGGER"][0][2] for alarm in alarms] == ["-P6DT16H", "PT8H"]


def test_the_calendar_has_a_name_and_says_when_to_look_again(stream: bytes) -> None:
    """RFC 7986, sections 5.1 (NAME) and 5.7 (REFRESH-INTERVAL, whose VALUE must be said)."""
    [calendar] = components(stream, "VCALENDAR")
    [(_, of_name, name)] = calendar["NAME"]
    [(_, said, interval)] = calendar["REFRESH-INTERVAL"]
    assert of_name == {} and unescaped(name) == "Fern; Street, \\ 14: cartridges and chores"
    assert said == {"VALUE": "DURATION"} and interval == "PT6H"
    assert calendar["X-PUBLISHED-TTL"][0][2] == "PT6H"  # common practice, no source
    assert calendar["X-WR-TIMEZONE"][0][2] == "America/Denver"  # common practice, no source


def test_a_second_reader_reads_the_same(stream: bytes) -> None:
    """vobject, which knows nothing of icalendar."""
    calendar = vobject.readOne(stream.decode("utf-8"))
    first, second = calendar.vevent_list
    assert first.dtstart.value == DAY and first.dtend.value == DAY + dt.timedelta(days=1)
    assert first.summary.value == "Replace the carbon block (stage 2)"
    assert first.url.value == "http://testserver/trains/1/log/swap/?stage=2"
    assert second.summary.value == AWKWARD
    assert second.description.value == "A reason; with, marks\nand lines"
    assert first.valarm.trigger.value == -dt.timedelta(days=6, hours=16)
    assert second.valarm.trigger.value == dt.timedelta(hours=8)
    assert {e.uid.value for e in calendar.vevent_list} == {e["UID"] for e in events(stream)}
    assert isinstance(first.dtstart.value, dt.date) and not isinstance(
        first.dtstart.value, dt.datetime
    )
