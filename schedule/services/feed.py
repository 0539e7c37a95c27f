"""The calendar of a household as iCalendar (RFC 5545, with RFC 7986 for name and refreshing).

Every event lasts a whole day of the household's calendar and is written as a DATE, which has no
time zone (RFC 5545, section 3.3.4): no clock change and no traveller's zone can shift it. One
``CalendarEvent`` row remembers each thing, so that a moved day moves the event that is there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone
from icalendar import Alarm, Calendar, Event, vDuration

from hobbyhydro.households.models import Household, Membership
from schedule.models import CalendarEvent

from . import plan
from .agenda import Item, agenda
from .chore_days import ONE_DAY, day_in
from .wishes import wishes_of

PRODUCT = "-//HobbyHydro//Plan and chores//EN"
REFRESH = dt.timedelta(hours=6)
SAID_AS_CANCELLED = dt.timedelta(days=14)
"""How long an event that no longer applies is shown as cancelled; then it is left out."""

FORGOTTEN_AFTER = dt.timedelta(days=90)
"""How long its row is kept, so that what comes back by then is the same event again."""

Absolute = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class _Changes:
    """What is to be written so that the events agree with the agenda."""

    new: list[CalendarEvent]
    moved: list[CalendarEvent]
    forgotten: list[int]

    def __bool__(self) -> bool:
        return bool(self.new or self.moved or self.forgotten)


def calendar_of(place: Membership, *, absolute: Absolute, now: dt.datetime | None = None) -> bytes:
    """The household's calendar as this person wants to be reminded of it, as text in UTF-8."""
    events = events_of(place.household, now=now or timezone.now())
    return written(place, events, absolute=absolute)


def events_of(household: Household, *, now: dt.datetime) -> list[CalendarEvent]:
    """The events to be shown, in the order of their days, agreeing with plan and chores."""
    plan.ensure_all(household, now=now)
    items = agenda(household, today=day_in(household, now))
    rows = list(household.calendar_events.all())
    if _changes(household, items, rows, now=now):
        with transaction.atomic():
            Household.objects.select_for_update().get(pk=household.pk)
            _write(_changes(household, items, list(household.calendar_events.all()), now=now))
        rows = list(household.calendar_events.all())
    shown = [r for r in rows if r.gone_at is None or now - r.gone_at < SAID_AS_CANCELLED]
    return sorted(shown, key=lambda r: (r.on, r.thing))


def _says(item: Item) -> dict[str, Any]:
    """What an event says of an item, beside its day."""
    where = item.train.name if item.train is not None else ""
    return {"kind": item.kind, "title": item.title, "why": item.why, "where": where,
            "url": item.url}  # fmt: skip


def _changes(
    household: Household, items: list[Item], rows: list[CalendarEvent], *, now: dt.datetime
) -> _Changes:
    known = {row.thing: row for row in rows}
    changes = _Changes([], [], [])
    for item in items:
        row = known.pop(item.thing, None)
        if row is None:
            fresh = CalendarEvent(
                household=household,
                thing=item.thing,
                on=item.due_on,
                says=_says(item),
                changed_at=now,
            )
            changes.new.append(fresh)
        elif row.move(on=item.due_on, says=_says(item)):
            row.changed_at = now
            changes.moved.append(row)
    for row in known.values():
        if row.gone_at is None:
            row.gone_at = row.changed_at = now
            row.sequence += 1
            changes.moved.append(row)
        elif now - row.gone_at >= FORGOTTEN_AFTER:
            changes.forgotten.append(row.pk)
    return changes


def _write(changes: _Changes) -> None:
    CalendarEvent.objects.bulk_create(changes.new, ignore_conflicts=True)
    CalendarEvent.objects.bulk_update(
        changes.moved, ["on", "says", "gone_at", "sequence", "changed_at"]
    )
    CalendarEvent.objects.filter(pk__in=changes.forgotten).delete()


def written(place: Membership, events: list[CalendarEvent], *, absolute: Absolute) -> bytes:
    """The events as an iCalendar stream: lines folded at 75 octets, ended by CR LF."""
    household, wishes = place.household, wishes_of(place)
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    name = f"{household.name}: cartridges and chores"
    calendar.add("name", name)  # RFC 7986, section 5.1
    calendar.add("x-wr-calname", name)
    calendar.add("x-wr-timezone", household.time_zone)
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(REFRESH))
    for row in events:
        calendar.add_component(
            _event(row, lead_days=wishes.lead_days, hour=wishes.hour, absolute=absolute)
        )
    stream: bytes = calendar.to_ical()
    return stream


def _event(row: CalendarEvent, *, lead_days: int, hour: int, absolute: Absolute) -> Event:
    says = row.says
    stamp = row.changed_at.astimezone(dt.UTC).replace(microsecond=0)
    event = Event()
    event.add("uid", str(row.uid))
    # Without METHOD, DTSTAMP is when the event was last revised (RFC 5545, section 3.8.7.2).
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    event.add("sequence", row.sequence)
    event.add("dtstart", row.on)
    event.add("dtend", row.on + ONE_DAY)
    event.add("summary", says["title"])
    words = [says["why"][:1].upper() + says["why"][1:], says["where"]]
    if any(words):
        event.add("description", "\n".join(word for word in words if word))
    event.add("url", absolute(says["url"]))
    event.add("transp", "TRANSPARENT")  # the day stays free for other things
    if row.gone_at is not None:
        event.add("status", "CANCELLED")
        return event
    event.add("status", "CONFIRMED")
    # A chore comes often, and is called to mind on its day; the rest so many days ahead.
    ahead = 0 if says["kind"] == "chore" else lead_days
    event.add_component(_alarm(says["title"], lead_days=ahead, hour=hour))
    return event


def _alarm(title: str, *, lead_days: int, hour: int) -> Alarm:
    """Shown at the person's hour, so many days before the day."""
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", title)
    alarm.add("trigger", dt.timedelta(hours=hour) - lead_days * ONE_DAY)
    return alarm
