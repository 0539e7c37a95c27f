"""The steps of an import, as a keeper goes through them."""

from __future__ import annotations

import csv
import datetime as dt
import io

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.forms import history_import as forms
from cartridges.models import Disinfectant, HistoryImport, Source, SourceReading, Train
from cartridges.services import estimates, timeline
from hobbyhydro.households.models import Household

from .histories import REAL, bring_in, settle_columns, standing, upload

GOOD = b"date,free,total\n2025-01-01,0.1,2.0\n2025-01-02,0.2,2.1\n2025-01-03,0.1,2.2\n"
HALF = b"date,free,total\n2025-01-01,0.1,2.0\n2025-01-02,=1,2.1\n2025-01-03,0.1,2.2\n"
STEPS = ("layout", "columns", "preview", "check", "errors.csv")


@pytest.fixture
def tap(train: Train) -> Source:
    """The train's tap, in a household on Chicago's clock."""
    Household.objects.update(time_zone="America/Chicago")
    return Source.objects.get(pk=train.source_id)


@pytest.fixture
def history(tap: Source, as_keeper: Client) -> HistoryImport:
    """A good file, uploaded and its columns settled, not taken in."""
    upload(as_keeper, tap, GOOD)
    history = tap.imports.get()
    settle_columns(as_keeper, history)
    return history


def test_the_real_series_needs_no_matching_and_drives_the_model(
    tap: Source, train: Train, as_keeper: Client
) -> None:
    tap.readings.all().delete()
    Source.objects.update(disinfectant=Disinfectant.FREE_CHLORINE)
    Train.objects.update(stale=False)
    history = bring_in(as_keeper, tap, REAL.read_bytes())
    assert history.rows_taken == standing(tap) == 547
    first = tap.readings.order_by("at")[0]
    assert (
        timezone.localtime(first.at, tap.household.zone).isoformat() == "2015-01-01T12:00:00-06:00"
    )
    assert (first.free_mg_l, first.turbidity_ntu, first.origin) == (0.58, 0.96, "utility")
    assert first.imported == history
    Train.objects.update(started_at=first.at)
    line = timeline.Timeline(Train.objects.get(pk=train.pk), timezone.now())
    past, _ = line.source
    with REAL.open(newline="") as file:
        for row in csv.DictReader(file):
            noon = dt.datetime.fromisoformat(f"{row['sampled_on']}T12:00").replace(
                tzinfo=tap.household.zone
            )
            day = timeline.day_of(noon) + 1e-6
            at = int(past.start_day.searchsorted(day, side="right")) - 1
            assert past.free_mg_l[at] == float(row["free_chlorine_mg_l"])
            assert past.combined_mg_l[at] == 0.0


def test_the_estimate_rests_on_the_last_of_the_history(
    tap: Source, train: Train, as_keeper: Client
) -> None:
    Source.objects.update(disinfectant=Disinfectant.FREE_CHLORINE)
    tap.readings.all().delete()
    bring_in(as_keeper, tap, REAL.read_bytes())
    train = Train.objects.get(pk=train.pk)
    estimates.refresh(train)
    assert train.summary["problem"] == ""
    assert train.summary["inlet_free_mg_l"] == 0.67  # the last row of the file


def test_trains_of_the_tap_are_marked_stale(
    history: HistoryImport, train: Train, as_keeper: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    settled: list[int] = []
    monkeypatch.setattr(estimates, "settle", lambda train: settled.append(train.pk))
    Train.objects.update(stale=False)
    as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    train.refresh_from_db()
    assert train.stale
    assert settled == [train.pk]


def test_upload_says_where_to_go_on(tap: Source, as_keeper: Client) -> None:
    answer = upload(as_keeper, tap, GOOD)
    history = tap.imports.get()
    assert answer["Location"] == f"/imports/{history.pk}/columns/"
    assert bytes(history.content) == GOOD
    assert standing(tap) == 1  # what the train was set up with


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"PK\x03\x04rest", "zip archive"),
        (b"", "empty"),
        (b"date,free\n", "no readings below"),
        (b'date,free\n2026-01-01,"0.1\n', "never closed"),
        (b"date,free\n2026-01-01,\x00\n", "zero bytes"),
    ],
)
def test_a_bad_file_is_asked_for_again_and_nothing_is_kept(
    tap: Source, as_keeper: Client, content: bytes, words: str
) -> None:
    answer = upload(as_keeper, tap, content)
    assert answer.status_code == 200
    assert words in answer.context["form"].errors["file"][0]
    assert words in answer.content.decode()
    assert not tap.imports.exists()


def test_no_file_at_all(tap: Source, as_keeper: Client) -> None:
    answer = as_keeper.post(f"/water/{tap.pk}/import/")
    assert answer.context["form"].errors["file"] == ["Which file? Choose one first."]


def test_too_large_a_file(tap: Source, as_keeper: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forms, "MOST_BYTES", 100)
    answer = upload(as_keeper, tap, GOOD * 3)
    assert "at most 20 MB can be read" in answer.context["form"].errors["file"][0]


def test_the_limits_stand_beside_the_field(tap: Source, as_keeper: Client) -> None:
    page = as_keeper.get(f"/water/{tap.pk}/import/").content.decode()
    assert "Up to 20 MB and 500,000 rows" in page


def test_an_encoding_is_asked_for_with_the_upload_kept(tap: Source, as_keeper: Client) -> None:
    content = "Tag;freies Chlor;Probe am Fluß;free\n2025-01-01;0,1;Fluß;0,1\n".encode("cp1252")
    answer = upload(as_keeper, tap, content)
    history = tap.imports.get()
    assert answer["Location"] == f"/imports/{history.pk}/layout/"
    page = as_keeper.get(answer["Location"])
    assert "Fluß" in page.content.decode()
    assert as_keeper.get(f"/imports/{history.pk}/columns/").status_code == 302
    as_keeper.post(f"/imports/{history.pk}/layout/", {"encoding": "cp1252"})
    history.refresh_from_db()
    assert history.columns["encoding"] == "cp1252"
    page = as_keeper.get(f"/imports/{history.pk}/columns/")
    assert "Probe am Fluß" in page.content.decode()
    assert page.context["form"].initial["decimal"] == ","


def test_another_layout_reads_the_columns_afresh(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, b"a;b,c\n2025-01-01;0.5,1\n2025-01-02;0.6,2\n")
    history = tap.imports.get()
    assert history.columns["delimiter"] == ";"
    answer = as_keeper.post(
        f"/imports/{history.pk}/layout/",
        {"encoding": "utf-8", "delimiter": ",", "header_row": "1"},
    )
    assert answer["Location"] == f"/imports/{history.pk}/columns/"
    history.refresh_from_db()
    assert history.columns["delimiter"] == ","
    refused = as_keeper.post(
        f"/imports/{history.pk}/layout/",
        {"encoding": "utf-8", "delimiter": "|", "header_row": "1"},
    )
    assert "Only one column" in str(refused.context["form"].errors)
    history.refresh_from_db()
    assert history.columns["delimiter"] == ","


def test_first_rows_are_shown_as_they_will_be_read(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, b"date;free;temp\n2025-01-01;0,58;68\n")
    history = tap.imports.get()
    page = as_keeper.get(f"/imports/{history.pk}/columns/").content.decode()
    assert "1 Jan 2025, 12:00" in page
    assert "0.58\u00a0mg/L" in page
    assert "68\u00a0°F" in page


def test_preview_follows_the_form(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, b"date,free,other\n03/04/2025,0.58,0.9\n")
    history = tap.imports.get()
    address = f"/imports/{history.pk}/preview/"
    chosen = {"date": "0", "free_mg_l": "2", "decimal": "."}
    assert "which comes first?" in as_keeper.get(address, chosen).content.decode()
    page = as_keeper.get(address, {**chosen, "date_order": "dmy"}).content.decode()
    assert "3 Apr 2025" in page and "0.90\u00a0mg/L" in page
    history.refresh_from_db()
    assert history.columns["order"] == ""  # looking changes nothing


@pytest.mark.parametrize(
    ("content", "changes", "field", "words"),
    [
        (GOOD, {"date": ""}, "date", "Which column holds the date?"),
        (GOOD, {"date": "1", "free_mg_l": ""}, "date", "No cell of this column is a date"),
        (GOOD, {"total_mg_l": "1"}, "total_mg_l", "chosen more than once"),
        (GOOD, {"free_mg_l": "", "total_mg_l": ""}, "__all__", "Which column holds a reading?"),
        (GOOD, {"origin": ""}, "origin", "Who made these tests"),
        (b"date,free\n3/4/2025,1\n5/6/2025,1\n", {}, "date_order", "can be read both ways"),
        (b"date,free\n25/4/2025,1\n4/25/2025,1\n", {}, "date", "row 3 reads 4/25/2025"),
        (b"date,free\n25/4/2025,1\n", {"date_order": "mdy"}, "date_order", "cannot be month"),
    ],
)
def test_what_is_open_about_the_columns_is_asked(
    tap: Source, as_keeper: Client, content: bytes, changes: dict[str, str], field: str, words: str
) -> None:
    upload(as_keeper, tap, content)
    history = tap.imports.get()
    answer = settle_columns(as_keeper, history, **changes)
    assert answer.status_code == 200
    assert words in answer.context["form"].errors[field][0]
    history.refresh_from_db()
    assert not history.columns["origin"]


def test_keeps_what_was_chosen(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, GOOD)
    answer = settle_columns(as_keeper, tap.imports.get(), origin="", decimal=",", ph="2")
    assert answer.context["form"]["decimal"].value() == ","
    assert answer.context["form"]["ph"].value() == "2"


def test_day_and_month_as_the_keeper_says(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, b"date,free\n3/4/2025,1\n5/6/2025,1\n")
    history = tap.imports.get()
    settle_columns(as_keeper, history, date_order="dmy")
    as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    days = [timezone.localtime(r.at, tap.household.zone).date() for r in history.readings.all()]
    assert days == [dt.date(2025, 4, 3), dt.date(2025, 6, 5)]


def test_check_shows_counts_and_takes_nothing(history: HistoryImport, as_keeper: Client) -> None:
    page = as_keeper.get(f"/imports/{history.pk}/check/")
    assert "All is well: 3 readings" in page.content.decode()
    assert not history.readings.exists()


def test_errors_are_shown_row_by_row_and_downloadable(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, HALF)
    history = tap.imports.get()
    settle_columns(as_keeper, history)
    page = as_keeper.get(f"/imports/{history.pk}/check/").content.decode()
    assert "1 of 3 rows cannot be read" in page
    assert "This is not a number" in page
    answer = as_keeper.get(f"/imports/{history.pk}/errors.csv")
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer["Content-Disposition"]
    rows = list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert rows[1][:3] == ["3", "free", "'=1"]


def test_all_or_nothing_takes_nothing_where_a_row_is_bad(tap: Source, as_keeper: Client) -> None:
    history = bring_in(as_keeper, tap, HALF, rows="all")
    assert history.finished_at is None
    assert not history.readings.exists()


def test_only_the_good_rows(tap: Source, as_keeper: Client) -> None:
    history = bring_in(as_keeper, tap, HALF, rows="good")
    assert history.rows_taken == history.readings.count() == 2
    assert history.columns["outcome"] == {"repeats": 0, "unmeasured": 0, "left_out": 1}
    page = as_keeper.get(f"/imports/{history.pk}/").content.decode()
    assert "2 readings taken in" in page


def test_a_failure_on_the_way_leaves_nothing(
    history: HistoryImport, as_keeper: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(train: Train) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(estimates, "mark_stale", fail)
    with pytest.raises(RuntimeError):
        as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    history.refresh_from_db()
    assert history.finished_at is None
    assert not history.readings.exists()


def test_taking_twice_takes_once(history: HistoryImport, as_keeper: Client) -> None:
    for _ in range(2):
        as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    assert history.readings.count() == 3


def test_the_same_file_again_is_all_repeats(tap: Source, as_keeper: Client) -> None:
    bring_in(as_keeper, tap, GOOD)
    before = standing(tap)
    again = bring_in(as_keeper, tap, GOOD + b"2025-01-04,0.1,2.3\n")
    assert again.rows_taken == 1
    assert again.columns["outcome"]["repeats"] == 3
    third = bring_in(as_keeper, tap, GOOD)
    assert third.finished_at is None
    assert "Nothing new" in as_keeper.get(f"/imports/{third.pk}/check/").content.decode()
    assert standing(tap) == before + 1


def test_a_row_against_a_kept_reading_is_an_error(tap: Source, as_keeper: Client) -> None:
    bring_in(as_keeper, tap, GOOD)
    upload(as_keeper, tap, b"date,free\n2025-01-01,0.9\n")
    history = tap.imports.latest("pk")
    settle_columns(as_keeper, history)
    page = as_keeper.get(f"/imports/{history.pk}/check/").content.decode()
    assert "You have a reading of this moment" in page


def test_undo_withdraws_every_reading_and_keeps_the_file(tap: Source, as_keeper: Client) -> None:
    before = standing(tap)
    history = bring_in(as_keeper, tap, GOOD)
    assert standing(tap) == before + 3
    as_keeper.post(f"/imports/{history.pk}/undo/")
    assert standing(tap) == before
    withdrawn = history.readings.all()
    assert {r.withdrawn_by.email for r in withdrawn} == {"keeper@example.org"}
    history.refresh_from_db()
    assert history.finished_at is None and bytes(history.content) == GOOD
    as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    assert standing(tap) == before + 3
    assert history.readings.count() == 6  # three withdrawn, three standing


def test_undoing_twice_says_so(tap: Source, as_keeper: Client) -> None:
    history = bring_in(as_keeper, tap, GOOD)
    as_keeper.post(f"/imports/{history.pk}/undo/")
    answer = as_keeper.post(f"/imports/{history.pk}/undo/", follow=True)
    assert "taken back already" in answer.content.decode()


def test_an_upload_can_be_thrown_away(history: HistoryImport, as_keeper: Client) -> None:
    as_keeper.post(f"/imports/{history.pk}/discard/")
    assert not HistoryImport.objects.exists()


def test_throwing_an_undone_import_away_keeps_its_readings_record(
    tap: Source, as_keeper: Client
) -> None:
    history = bring_in(as_keeper, tap, GOOD)
    as_keeper.post(f"/imports/{history.pk}/undo/")
    as_keeper.post(f"/imports/{history.pk}/discard/")
    history.refresh_from_db()
    assert bytes(history.content) == b""
    assert history.readings.count() == 3
    assert as_keeper.get(f"/imports/{history.pk}/").status_code == 200


def test_what_was_taken_in_cannot_be_thrown_away(tap: Source, as_keeper: Client) -> None:
    history = bring_in(as_keeper, tap, GOOD)
    as_keeper.post(f"/imports/{history.pk}/discard/")
    assert history.readings.filter(withdrawn_at__isnull=True).count() == 3


@pytest.mark.parametrize("step", STEPS)
def test_steps_of_a_finished_import_lead_to_its_outcome(
    tap: Source, as_keeper: Client, step: str
) -> None:
    history = bring_in(as_keeper, tap, GOOD)
    assert as_keeper.get(f"/imports/{history.pk}/{step}").status_code in (301, 302)
    address = f"/imports/{history.pk}/{step}" + ("" if "." in step else "/")
    assert as_keeper.get(address)["Location"] == f"/imports/{history.pk}/"


def test_warns_where_chloramine_is_only_known_as_free(tap: Source, as_keeper: Client) -> None:
    SourceReading.objects.all().delete()
    upload(as_keeper, tap, REAL.read_bytes())
    history = tap.imports.get()
    settle_columns(as_keeper, history)
    page = as_keeper.get(f"/imports/{history.pk}/check/").content.decode()
    assert "holds free chlorine alone" in page


def test_own_tests_are_kept_as_own(tap: Source, as_keeper: Client) -> None:
    upload(as_keeper, tap, GOOD)
    history = tap.imports.get()
    settle_columns(as_keeper, history, origin="own")
    as_keeper.post(f"/imports/{history.pk}/take/", {"rows": "all"})
    assert set(history.readings.values_list("origin", "logged_by__email")) == {
        ("own", "keeper@example.org")
    }
