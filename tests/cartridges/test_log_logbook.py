"""The logbook page, and what it is read from."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from cartridges.models import (
    CartridgeSpec,
    FlowTest,
    MeterReading,
    Note,
    OutletTest,
    OwnFigure,
    PressureReading,
    Shutoff,
    SourceReading,
    Train,
)
from cartridges.services import acts, logbook
from hobbyhydro.households import people
from hobbyhydro.households.models import User
from tests.trains import build_train

from .by_hand import ago


def where(train: Train) -> str:
    return reverse("logbook", args=[train.pk])


def note(train: Train, text: str, at: dt.datetime, by: User) -> Note:
    return acts.log(Note(train=train, text=text, at=at), by=by)


def words(client: Client, train: Train, **asked: str) -> list[str]:
    return [row["words"] for row in client.get(where(train), asked).context["rows"]]


def many(train: Train, by: User, count: int) -> None:
    """Facts of seven kinds, ``count`` of each."""
    stage = train.stages.get(position=2)
    now = timezone.now()
    meter = train.meters.get()
    for model, given in (
        (MeterReading, {"train": train, "meter": meter, "reading_l": 1.0}),
        (OutletTest, {"train": train, "stage": stage, "value_mg_l": 0.1}),
        (PressureReading, {"train": train, "stage": stage, "before_kpa": 400.0}),
        (FlowTest, {"train": train, "volume_l": 1.0, "duration_s": 60.0}),
        (SourceReading, {"source": train.source, "total_mg_l": 2.0}),
        (Shutoff, {"train": train}),
        (Note, {"train": train, "text": "x"}),
    ):
        model.objects.bulk_create(
            model(at=now - dt.timedelta(minutes=k + 1), logged_by=by, **given) for k in range(count)
        )


def test_logbook_works(as_keeper: Client, train: Train, owner: User) -> None:
    """What the fixture logged, newest first: three readings, then what happened at the start."""
    told = words(as_keeper, train)
    assert told[:3] == [
        "Meter reads 2,250\u00a0gal", "Meter reads 1,500\u00a0gal", "Meter reads 750\u00a0gal",
    ]  # fmt: skip
    rest = " ".join(told[3:])
    assert "Restrictor of 50.0" in rest and "Tap water" in rest and "Stage 3: no. 3" in rest
    assert len(told) == 8
    page = as_keeper.get(where(train)).content.decode()
    assert "Odile" in page and "15 days ago" in page


def test_logbook_may_be_read_by_a_viewer(as_viewer: Client, train: Train) -> None:
    assert len(words(as_viewer, train)) == 8


def test_logbook_needs_sign_in(client: Client, train: Train) -> None:
    assert client.get(where(train)).status_code == 302


def test_logbook_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(where(train)).status_code == 404


def test_logbook_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(where(train)).status_code == 405


def test_logbook_is_of_one_train_and_its_source(
    as_keeper: Client, train: Train, owner: User
) -> None:
    other = build_train(train.household, owner, name="Attic")
    note(other, "of the attic", ago(days=1), owner)
    assert "of the attic" not in words(as_keeper, train)
    assert len(words(as_keeper, train)) == 8


def test_logbook_by_kind(as_keeper: Client, train: Train) -> None:
    assert len(words(as_keeper, train, kind="swap")) == 3
    assert words(as_keeper, train, kind="note") == []
    assert len(words(as_keeper, train, kind="no such kind")) == 8


def test_logbook_by_person(
    as_keeper: Client, train: Train, owner: User, keeper: User, stranger: User
) -> None:
    note(train, "mine", ago(days=1), keeper)
    assert words(as_keeper, train, by=str(keeper.pk)) == ["mine"]
    assert len(words(as_keeper, train, by=str(owner.pk))) == 8
    page = as_keeper.get(where(train)).content.decode()
    assert "Sune" not in page


def test_logbook_by_period_in_the_households_days(
    as_keeper: Client, train: Train, owner: User, keeper: User
) -> None:
    """A minute to and a minute past midnight in Chicago are two days there, one day in UTC."""
    train.household.time_zone = "America/Chicago"
    train.household.save()
    day = (timezone.now() - dt.timedelta(days=20)).date()
    with timezone.override("America/Chicago"):
        midnight = timezone.make_aware(dt.datetime.combine(day, dt.time.min))
    note(train, "before", midnight - dt.timedelta(minutes=1), owner)
    note(train, "after", midnight + dt.timedelta(minutes=1), owner)
    as_keeper.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
    asked = {"kind": "note", "since": day.isoformat(), "until": day.isoformat()}
    assert words(as_keeper, train, **asked) == ["after"]
    asked = {"kind": "note", "until": (day - dt.timedelta(days=1)).isoformat()}
    assert words(as_keeper, train, **asked) == ["before"]


def test_logbook_without_what_came_from_a_file(
    as_keeper: Client, train: Train, owner: User
) -> None:
    source = train.source
    file = source.imports.create(file_name="a.csv", content=b"")
    SourceReading.objects.create(source=source, at=ago(days=1), total_mg_l=1.7, imported=file)
    assert len(words(as_keeper, train)) == 9
    assert len(words(as_keeper, train, by_hand="on")) == 8


@pytest.mark.parametrize("since", ["yesterday", "2026-02-30", "0001-01-01"])
def test_logbook_says_what_is_wrong_with_a_date(
    as_keeper: Client, train: Train, since: str
) -> None:
    response = as_keeper.get(where(train), {"since": since})
    assert response.status_code == 200
    assert "since" in response.context["form"].errors


def test_logbook_strikes_through_on_request(as_keeper: Client, train: Train, owner: User) -> None:
    gone = note(train, "a mistake", ago(days=1), owner)
    acts.undo(gone, by=owner, why="wrong train")
    assert "a mistake" not in words(as_keeper, train)
    page = as_keeper.get(where(train), {"withdrawn": "on"}).content.decode()
    struck = re.search(r'<a class="log-words log-struck"[^>]*>a mistake</a>', page)
    assert struck and "wrong train" in page


def test_logbook_in_pages(as_keeper: Client, train: Train, owner: User) -> None:
    for k in range(60):
        note(train, f"note {k}", ago(minutes=k + 1), owner)
    first = words(as_keeper, train)
    second = words(as_keeper, train, page="2")
    assert first == [f"note {k}" for k in range(50)]
    assert second[:10] == [f"note {k}" for k in range(50, 60)] and len(second) == 18
    assert words(as_keeper, train, page="99") == second
    page = as_keeper.get(where(train), {"kind": "note"}).content.decode()
    assert "kind=note&amp;page=2" in page


def test_logbook_on_paper_has_it_all(as_keeper: Client, train: Train, owner: User) -> None:
    for k in range(60):
        note(train, f"note {k}", ago(minutes=k + 1), owner)
    assert len(words(as_keeper, train, paper="on")) == 68


def test_logbook_tells_who_came_and_went(
    as_keeper: Client, train: Train, owner: User, keeper: User, stranger: User
) -> None:
    people.note(train.household, by=owner, says="Vesna became a keeper")
    people.note(stranger.households.get(), by=stranger, says="Nobody of ours")
    assert words(as_keeper, train)[0] == "Vesna became a keeper"
    assert len(words(as_keeper, train)) == 9
    assert words(as_keeper, train, kind="household") == ["Vesna became a keeper"]
    assert words(as_keeper, train, kind="household", by=str(keeper.pk)) == []
    assert words(as_keeper, train, kind="household", by=str(owner.pk)) != []
    assert words(as_keeper, train, kind="household", until="2001-01-01") == []
    page = as_keeper.get(where(train), {"kind": "household"}).content.decode()
    assert "Household · Odile" in page
    assert "log-struck" not in page


def test_logbook_queries_do_not_grow(as_keeper: Client, train: Train, owner: User) -> None:
    """Touches every row's stage, cartridge, meter and people; the count stays the same."""
    many(train, owner, 3)
    as_keeper.get(where(train))
    with CaptureQueriesContext(
        connection,
    ) as few:
        as_keeper.get(where(train), {"paper": "on", "withdrawn": "on"})
    many(train, owner, 60)
    with CaptureQueriesContext(connection) as lots:
        response = as_keeper.get(where(train), {"paper": "on", "withdrawn": "on"})
    assert len(response.context["rows"]) > 400
    assert len(lots) == len(few) <= 20


def test_entries_are_of_every_kind_and_in_order(train: Train, owner: User) -> None:
    many(train, owner, 4)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    acts.log(
        OwnFigure(
            household=train.household, spec=spec, figure="capacity_mg", value=7e4, at=ago(days=1)
        ),
        by=owner,
    )
    found = logbook.entries(train)
    rows = found[0:1000]
    assert len(rows) == found.count() == len(found) == 8 + 7 * 4 + 1
    assert [r.at for r in rows] == sorted((r.at for r in rows), reverse=True)
    assert {r.KIND for r in rows} == set(logbook.KINDS) - {"disinfectant-switch"}
    assert rows[3:7] == found[3:7]


def test_entries_take_several_kinds(train: Train, owner: User) -> None:
    found = logbook.entries(train, kinds=["swap", "restrictor", "nonsense"])
    assert {row.KIND for row in found[0:10]} == {"swap", "restrictor"}
    assert logbook.entries(train, kinds=[]).count() == 0
    assert logbook.entries(train, kinds=[])[0:5] == []


def test_entries_take_a_period_with_an_open_end(train: Train, owner: User) -> None:
    at = ago(days=5)
    note(train, "x", at, owner)

    def count(**period: dt.datetime) -> int:
        return logbook.entries(train, kinds=["note"], **period).count()

    assert count(since=at) == 1 and count(until=at) == 0
    assert count(since=at + dt.timedelta(seconds=1)) == 0
    assert count(until=at + dt.timedelta(seconds=1)) == 1


def test_uses_do_not_count_what_came_from_a_file(train: Train, owner: User) -> None:
    source = train.source
    file = source.imports.create(file_name="a.csv", content=b"")
    SourceReading.objects.create(source=source, at=ago(days=1), total_mg_l=2.0, imported=file)
    used = logbook.uses(train, since=ago(days=365))
    assert used["source-test"].count == 1
    assert used["meter-reading"].count == 3
    assert used["note"] == logbook.Use(0, None)


def test_what_was_undone_is_offered_with_how_much_it_is(
    as_keeper: Client, train: Train, keeper: User
) -> None:
    link = "Show what was undone or corrected"
    assert link not in as_keeper.get(where(train)).content.decode()
    kept = note(train, "kept", ago(days=1), keeper)
    acts.undo(note(train, "gone", ago(days=2), keeper), by=keeper)
    acts.correct(kept, by=keeper, why="typo", text="kept!")
    text = as_keeper.get(where(train), {"kind": "note"}).content.decode()
    assert f'href="?kind=note&amp;withdrawn=on">{link} (2)</a>' in text
    assert words(as_keeper, train, kind="note", withdrawn="on") == ["kept!", "kept", "gone"]
