"""The logbook as a file: what the filter shows, in a form that a spreadsheet reads and never runs.

The form is that of RFC 4180: lines end in CR LF, and a quote within quotes is doubled. It is read
back here by pandas, which takes the file as it is, byte order mark and all.
"""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import pandas as pd
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Note, Train
from cartridges.services import acts
from cartridges.services.logbook_csv import harmless
from hobbyhydro.households import people
from hobbyhydro.households.models import User

from .by_hand import ago
from .test_log_logbook import many, note


def where(train: Train) -> str:
    return reverse("logbook-csv", args=[train.pk])


def sheet(client: Client, train: Train, **asked: str) -> pd.DataFrame:
    answer = client.get(where(train), asked)
    assert answer.status_code == 200
    return pd.read_csv(io.BytesIO(answer.content), encoding="utf-8-sig", dtype=str).fillna("")


def test_works(as_keeper: Client, train: Train) -> None:
    answer = as_keeper.get(where(train))
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    today = timezone.localdate()
    named = f'attachment; filename="logbook-basement-drip-{today:%Y-%m-%d}.csv"'
    assert answer.headers["Content-Disposition"] == named
    assert answer.content.startswith(b"\xef\xbb\xbfWhen (UTC)")
    assert answer.content.count(b"\r\n") == 9 == answer.content.count(b"\n")
    rows = sheet(as_keeper, train)
    assert list(rows["What"][:2]) == ["Meter reads 2,250 gal", "Meter reads 1,500 gal"]
    assert set(rows["By"]) == {"Odile"} and set(rows["Holds"]) == {"yes"}


def test_may_be_read_by_a_viewer(as_viewer: Client, train: Train) -> None:
    assert len(sheet(as_viewer, train)) == 8


def test_needs_sign_in(client: Client, train: Train) -> None:
    assert client.get(where(train)).headers["Location"].startswith("/account/login/")


def test_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert as_stranger.get(where(train)).status_code == 404


def test_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post(where(train)).status_code == 405


def test_is_in_the_readers_units(as_keeper: Client, train: Train, keeper: User) -> None:
    """50 US gal a day are 189 L a day (1 US gal = 3.785 411 784 L, NIST SP 811)."""
    assert "Restrictor of 50.0 gal/day fitted" in set(sheet(as_keeper, train)["What"])
    keeper.units = User.Units.METRIC
    keeper.save()
    assert "Restrictor of 189 L/day fitted" in set(sheet(as_keeper, train)["What"])


@pytest.mark.parametrize(
    ("asked", "count"),
    [({"kind": "swap"}, 3), ({"kind": "note"}, 0), ({"since": "2001-01-01"}, 8),
     ({"until": "2001-01-01"}, 0), ({"kind": "swap", "paper": "on"}, 3)],
)  # fmt: skip
def test_holds_what_the_filter_shows(
    as_keeper: Client, train: Train, asked: dict[str, str], count: int
) -> None:
    page = as_keeper.get(reverse("logbook", args=[train.pk]), asked)
    assert len(page.context["rows"]) == count == len(sheet(as_keeper, train, **asked))


def test_the_page_leads_to_it_with_its_filter(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(reverse("logbook", args=[train.pk]), {"kind": "swap"}).content.decode()
    assert f'href="{where(train)}?kind=swap"' in page


def test_a_filter_that_cannot_be_read_is_said_on_the_page(as_keeper: Client, train: Train) -> None:
    answer = as_keeper.get(where(train), {"since": "yesterday"})
    assert answer.headers["Location"] == f"/trains/{train.pk}/logbook/?since=yesterday"
    page = as_keeper.get(answer.headers["Location"])
    assert "since" in page.context["form"].errors


def test_tells_what_was_taken_back_by_whom_and_why(
    as_keeper: Client, train: Train, owner: User, keeper: User
) -> None:
    gone = note(train, "a mistake", ago(days=1), owner)
    acts.undo(gone, by=keeper, why="wrong train")
    assert "a mistake" not in set(sheet(as_keeper, train)["What"])
    rows = sheet(as_keeper, train, withdrawn="on", kind="note")
    [row] = rows.to_dict("records")
    assert (row["Holds"], row["Taken back by"], row["Why"]) == ("no", "Kasimir", "wrong train")


def test_tells_who_came_and_went(as_keeper: Client, train: Train, owner: User) -> None:
    people.note(train.household, by=owner, says="Vesna became a keeper")
    [row] = sheet(as_keeper, train, kind="household").to_dict("records")
    assert (row["Kind"], row["What"], row["By"]) == ("Household", "Vesna became a keeper", "Odile")
    assert len(sheet(as_keeper, train)) == 9


def test_times_are_the_households_and_utc(as_keeper: Client, train: Train, keeper: User) -> None:
    """Noon in Chicago in January is 18:00 UTC (UTC−6, no daylight saving)."""
    train.household.time_zone = "America/Chicago"
    train.household.save()
    train.started_at = dt.datetime(2025, 12, 1, tzinfo=dt.UTC)
    train.save()
    note(train, "noon", dt.datetime(2026, 1, 5, 18, 0, tzinfo=dt.UTC), keeper)
    [row] = sheet(as_keeper, train, kind="note").to_dict("records")
    assert row["When (America/Chicago)"] == "2026-01-05 12:00"
    assert row["When (UTC)"] == "2026-01-05T18:00:00Z"


@pytest.mark.parametrize(
    "typed",
    ['=HYPERLINK("http://x.example","y")', "+1+1", "-2+3", "@SUM(A1)", "\t=1+1", "\r=1+1",
     "＝1+1"],
)  # fmt: skip
def test_nothing_that_was_typed_runs_as_a_formula(
    as_keeper: Client, train: Train, owner: User, typed: str
) -> None:
    owner.name = typed
    owner.save()
    acts.log(Note(train=train, text=typed, remark=typed, at=ago(days=1)), by=owner)
    assert harmless(typed) == "'" + typed
    content = as_keeper.get(where(train), {"kind": "note"}).content.decode("utf-8-sig")
    [_, row] = pd.read_csv(io.StringIO(content), header=None, dtype=str).to_numpy().tolist()
    starts = {str(cell)[0] for cell in row if isinstance(cell, str)}
    assert "'" in starts
    assert not starts & set("=+-@\t\r\n＝")


@pytest.mark.parametrize(
    "typed", ["dripping, slowly", "1 - 2", "a=b", "", "half\nand half", '"so"']
)
def test_other_words_stay_as_they_are(
    as_keeper: Client, train: Train, owner: User, typed: str
) -> None:
    assert harmless(typed) == typed
    acts.log(Note(train=train, text="x", remark=typed, at=ago(days=1)), by=owner)
    [row] = sheet(as_keeper, train, kind="note").to_dict("records")
    assert row["Remark"] == typed


def test_long_logbooks_come_whole_and_in_order(
    as_keeper: Client, train: Train, owner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More lines than are read at one time, many of them of the same moment."""
    monkeypatch.setattr("cartridges.services.logbook.STEP", 7)
    moment = ago(days=2)
    Note.objects.bulk_create(
        Note(train=train, text=f"n{k}", at=moment, logged_at=moment, logged_by=owner)
        for k in range(40)
    )
    told = [what for what in sheet(as_keeper, train)["What"] if what.startswith("n")]
    assert sorted(told, key=lambda t: int(t[1:])) == [f"n{k}" for k in range(40)]


def test_queries_do_not_grow_with_rows(as_keeper: Client, train: Train, owner: User) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            as_keeper.get(where(train))
        return len(seen)

    many(train, owner, 3)
    few = queries()
    many(train, owner, 60)
    assert queries() == few <= 20


def test_an_odd_name_makes_a_plain_file_name(as_keeper: Client, train: Train) -> None:
    train.name = 'Träin "one"\r\nSet-Cookie: a=b'
    train.save()
    named: Any = as_keeper.get(where(train)).headers["Content-Disposition"]
    assert named.startswith('attachment; filename="logbook-train-one-set-cookie-ab-')
