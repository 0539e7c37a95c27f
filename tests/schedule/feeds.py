"""What the tests of the calendar share: reading the feed by hand, by the rules of RFC 5545."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from hobbyhydro.households.models import Household, User
from schedule.services import feed_address
from schedule.services.agenda import Item


def item(thing: str, due_on: dt.date, **changes: object) -> Item:
    """Something to do, as the agenda tells it."""
    told = {
        "thing": thing,
        "kind": "swap",
        "title": "Replace the carbon block (stage 2)",
        "why": "chlorine reaches the safe limit",
        "due_on": due_on,
        "train": None,
        "stage": None,
        "url": "/trains/1/log/swap/?stage=2",
        "log_url": "",
        "turn": None,
    }
    return Item(**(told | changes))  # type: ignore[arg-type]  # each keeps the type it has above


@dataclass
class Agenda:
    """Stands in for what the household has to do."""

    items: list[Item] = field(default_factory=list)

    def say(self, *items: Item) -> None:
        self.items = list(items)

    def __call__(
        self, household: Household, *, today: dt.date, days_ahead: int = 730
    ) -> list[Item]:
        return self.items


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Agenda:
    """The agenda, as the test tells it; the plan is left as it is."""
    found = Agenda()
    monkeypatch.setattr("schedule.services.feed.agenda", found)
    monkeypatch.setattr("schedule.services.feed.plan.ensure_all", lambda household, now: [])
    return found


def address_of(household: Household, person: User) -> str:
    """The path of a new address of this person."""
    secret = feed_address.rotate(household.memberships.get(person=person))
    return reverse("feed", args=[secret])


def read(address: str, **headers: str) -> HttpResponse:
    """The feed as a calendar program reads it: without signing in."""
    return Client().get(address, headers=headers)


Line = tuple[str, dict[str, str], str]


def content_lines(stream: bytes) -> list[Line]:
    """Name, parameters and value of each line (RFC 5545, section 3.1), read by hand."""
    text = stream.decode("utf-8")
    assert text.endswith("\r\n")
    unfolded = re.sub(r"\r\n[ \t]", "", text)
    found = []
    for line in unfolded.split("\r\n")[:-1]:
        head, _, value = line.partition(":")
        name, *parameters = head.split(";")
        found.append((name, dict(p.split("=", 1) for p in parameters), value))
    return found


def unescaped(value: str) -> str:
    """A TEXT value as it is read (RFC 5545, section 3.3.11)."""
    return re.sub(r"\\([\\;,nN])", lambda m: "\n" if m[1] in "nN" else m[1], value)


def components(stream: bytes, name: str) -> list[dict[str, list[Line]]]:
    """The components of that name, as lists of lines by property; those within them left out."""
    found: list[dict[str, list[Line]]] = []
    nesting: list[str] = []
    for line in content_lines(stream):
        kind, _, value = line
        if kind == "BEGIN":
            nesting.append(value)
            if value == name:
                found.append({})
        elif kind == "END":
            assert nesting.pop() == value  # RFC 5545, section 3.6: components nest
        elif nesting and nesting[-1] == name:
            found[-1].setdefault(kind, []).append(line)
    assert nesting == []
    return found


def events(stream: bytes) -> list[dict[str, str]]:
    """Each event as values by property; every property is there once."""
    read_events = []
    for one in components(stream, "VEVENT"):
        assert all(len(lines) == 1 for lines in one.values())
        read_events.append({name: lines[0][2] for name, lines in one.items()})
    return read_events
