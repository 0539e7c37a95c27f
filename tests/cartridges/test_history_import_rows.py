"""Single rows of a history: figures, dates, repeats and contradictions."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zoneinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.services.history_cells import CellError, figure, moment, stamp, survey
from cartridges.services.history_rows import RowError, errors_csv, safe_cell

from .histories import NOW, ZONE, drafted, messages_of, noon


def only_message(content: str, **changes: object) -> str:
    [(_, message)] = messages_of(drafted(content, **changes))
    return message


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("-0.1", "below zero"),
        ("nan", "not a number"),
        ("NaN", "not a number"),
        ("inf", "not a number"),
        ("-inf", "not a number"),
        ("1e9", "from 0 to 10 mg/L"),
        ("1000000000", "from 0 to 10 mg/L"),
        ("lots", "not a number"),
        ("0x10", "not a number"),
        ("1_000", "not a number"),
        ("=1+1", "not a number"),
        ("0,58", "decimal comma"),
        ("1e999", "not a number"),
    ],
)
def test_says_what_is_wrong_with_a_figure(cell: str, words: str) -> None:
    quoted = f'"{cell}"'
    content = f"date,free\n2026-01-01,{quoted}\n2026-01-02,0.5\n2026-01-03,0.6\n2026-01-04,0.7\n"
    draft = drafted(content)
    [(number, message)] = messages_of(draft)
    assert number == 2
    assert words in message
    assert len(draft.good) == 3


@pytest.mark.parametrize("cell", ["", " ", "-", "–", "NA", "n/a", "null"])
def test_what_was_not_measured_is_nothing(cell: str) -> None:
    draft = drafted(f"date,free,total\n2026-01-01,{cell},2.0\n2026-01-02,{cell},{cell}\n")
    assert [row.values[:2] for row in draft.good] == [(None, 2.0)]
    assert draft.unmeasured == 1
    assert not draft.errors


def test_zero_is_a_figure() -> None:
    [row] = drafted("date,free\n2026-01-01,0\n").good
    assert row.values[0] == 0.0


def test_below_is_refused_or_taken_as_the_figure() -> None:
    content = "date,free\n2026-01-01,<0.05\n"
    assert "below what the test could show" in only_message(content, below="refuse")
    [row] = drafted(content, below="figure").good
    assert row.values[0] == 0.05


def test_total_below_free_is_asked_about() -> None:
    message = only_message("date,free,total\n2026-01-01,2.0,0.5\n")
    assert "Total chlorine is below free" in message
    assert "swapped" in message


def test_total_equal_to_free_is_fine() -> None:
    assert len(drafted("date,free,total\n2026-01-01,0.7,0.7\n").good) == 1


def test_two_errors_of_one_row_are_both_named() -> None:
    draft = drafted("date,free,total\nsoon,-1,2\n")
    assert len(draft.errors) == 2
    assert draft.bad_rows == 1


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2015-01-31", dt.date(2015, 1, 31)),
        ("2015/1/31", dt.date(2015, 1, 31)),
        ("20150131", dt.date(2015, 1, 31)),
        ("31 Jan 2015", dt.date(2015, 1, 31)),
        ("31-Jan-15", dt.date(2015, 1, 31)),
        ("January 31, 2015", dt.date(2015, 1, 31)),
        ("31. January 2015", dt.date(2015, 1, 31)),
        ("2016-02-29", dt.date(2016, 2, 29)),
    ],
)
def test_reads_dates_that_leave_no_doubt(text: str, day: dt.date) -> None:
    assert stamp(text).day("") == day


@pytest.mark.parametrize(
    ("text", "order", "day"),
    [
        ("03/04/2015", "dmy", dt.date(2015, 4, 3)),
        ("03/04/2015", "mdy", dt.date(2015, 3, 4)),
        ("3.4.15", "dmy", dt.date(2015, 4, 3)),
        ("3-4-15", "mdy", dt.date(2015, 3, 4)),
    ],
)
def test_order_decides_between_day_and_month(text: str, order: str, day: dt.date) -> None:
    assert stamp(text).day(order) == day  # type: ignore[arg-type]  # parametrised text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2015-13-01", "no month 13"),
        ("2015-02-30", "not in the calendar"),
        ("1815-02-03", "cannot be meant"),
        ("42005", "day number"),
        ("yesterday", "not a date"),
        ("", "not a date"),
        ("2015-01-31 25:00", "no such time"),
        ("2015-01-31 noon", "not a date"),
    ],
)
def test_says_what_is_wrong_with_a_date(text: str, words: str) -> None:
    with pytest.raises(CellError, match=words):
        stamp(text).day("")


def test_a_day_is_its_noon_on_the_households_clock() -> None:
    [winter, summer] = drafted("date,free\n2015-01-15,0.5\n2015-07-15,0.5\n").good
    assert winter.at == dt.datetime(2015, 1, 15, 18, tzinfo=dt.UTC)  # Chicago is UTC-6
    assert summer.at == dt.datetime(2015, 7, 15, 17, tzinfo=dt.UTC)  # and UTC-5 in summer


def test_midnight_throughout_says_that_no_hour_was_written() -> None:
    [row] = drafted("date,free\n2015-01-15 00:00:00,0.5\n").good
    assert row.at == noon(2015, 1, 15)
    first, _ = drafted("date,free\n2015-01-15 00:00,0.5\n2015-01-16 08:30,0.5\n").good
    assert first.at == dt.datetime(2015, 1, 15, 6, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("2015-01-15 08:30", dt.datetime(2015, 1, 15, 14, 30, tzinfo=dt.UTC)),
        ("2015-01-15T08:30:15", dt.datetime(2015, 1, 15, 14, 30, 15, tzinfo=dt.UTC)),
        ("1/15/2015 8:30 pm", dt.datetime(2015, 1, 16, 2, 30, tzinfo=dt.UTC)),
        ("2015-01-15T08:30:00Z", dt.datetime(2015, 1, 15, 8, 30, tzinfo=dt.UTC)),
        ("2015-01-15 08:30+01:00", dt.datetime(2015, 1, 15, 7, 30, tzinfo=dt.UTC)),
    ],
)
def test_reads_the_hour_where_it_stands(text: str, at: dt.datetime) -> None:
    [row] = drafted(f"date,free\n{text},0.5\n").good
    assert row.at == at


def test_an_hour_that_the_clocks_skipped_is_asked_about() -> None:
    # Chicago's clocks went from 02:00 to 03:00 on 8 March 2015.
    assert "clocks skipped" in only_message("date,free\n2015-03-08 02:30,0.5\n")
    [row] = drafted("date,free\n2015-03-08 02:30-06:00,0.5\n").good
    assert row.at == dt.datetime(2015, 3, 8, 8, 30, tzinfo=dt.UTC)


def test_the_hour_may_have_a_column_of_its_own() -> None:
    [row] = drafted("date,time,free\n2015-01-15,08:30,0.5\n").good
    assert row.at == dt.datetime(2015, 1, 15, 14, 30, tzinfo=dt.UTC)


def test_the_future_is_refused() -> None:
    draft = drafted("date,free\n2026-06-01,0.5\n2026-06-02,0.5\n")
    assert [row.number for row in draft.good] == [2]
    assert messages_of(draft) == [(3, "This day is in the future.")]
    assert "moment is in the future" in only_message("date,free\n2026-06-01 13:30,0.5\n")


def test_today_before_noon_is_its_beginning() -> None:
    early = dt.datetime(2026, 6, 1, 14, tzinfo=dt.UTC)  # 9 in the morning
    [row] = drafted("date,free\n2026-06-01,0.5\n", now=early).good
    assert row.at == dt.datetime(2026, 6, 1, 5, tzinfo=dt.UTC)


def test_survey_tells_when_to_ask() -> None:
    both_ways = survey([(2, "03/04/2015"), (3, "05/06/2015")])
    assert both_ways.must_ask and both_ways.order == ""
    settled = survey([(2, "03/04/2015"), (3, "25/06/2015")])
    assert settled.order == "dmy" and not settled.must_ask
    mixed = survey([(2, "25/04/2015"), (3, "04/25/2015")])
    assert mixed.clash and mixed.day_first == (2, "25/04/2015")
    assert mixed.month_first == (3, "04/25/2015")
    assert not survey([(2, "2015-03-04"), (3, "4 Mar 2015"), (4, "5/5/2015")]).must_ask


def test_repeats_are_counted_and_skipped() -> None:
    draft = drafted("date,free\n2026-01-01,0.5\n2026-01-01,0.5\n2026-01-01,0.50\n2026-01-02,0.5\n")
    assert [row.number for row in draft.good] == [2, 5]
    assert draft.repeats == 2
    assert not draft.errors


def test_rows_of_one_moment_that_disagree_name_each_other() -> None:
    draft = drafted("date,free\n2026-01-01,0.5\n2026-01-02,0.5\n2026-01-01,0.7\n")
    assert [row.number for row in draft.good] == [3]
    assert [error.number for error in draft.errors] == [2, 4]
    for error in draft.errors:
        assert "Rows 2 and 4" in error.message
        assert "0.5 and 0.7" in error.message


def test_rows_of_one_moment_that_complete_each_other_are_both_taken() -> None:
    draft = drafted("date,free,total\n2026-01-01,0.5,\n2026-01-01,,2.0\n")
    assert len(draft.good) == 2


def test_rows_of_one_moment_whose_total_is_below_free_are_errors() -> None:
    draft = drafted("date,free,total\n2026-01-01,3.0,\n2026-01-01,,1.0\n2026-01-02,,1.0\n")
    assert [row.number for row in draft.good] == [4]
    assert [error.number for error in draft.errors] == [2, 3]
    assert all("1 below 3 mg/L" in error.message for error in draft.errors)


@pytest.mark.parametrize(
    ("line", "old"),
    [
        ("3.0,", (None, 1.0, None, None, None)),
        (",1.0", (3.0, None, None, None, None)),
    ],
)
def test_a_row_whose_total_is_below_free_with_a_kept_reading_is_an_error(
    line: str, old: tuple[float | None, ...]
) -> None:
    draft = drafted(f"date,free,total\n2026-01-01,{line}\n", kept={noon(2026, 1, 1): [old]})
    assert not draft.good
    assert "1 below 3 mg/L" in messages_of(draft)[0][1]


def test_a_kept_reading_makes_a_row_a_repeat_or_a_contradiction() -> None:
    kept = {noon(2026, 1, 1): [(0.5, 2.0, None, None, None)]}
    same = drafted("date,free\n2026-01-01,0.5\n", kept=kept)
    assert (len(same.good), same.repeats) == (0, 1)
    other = drafted("date,free\n2026-01-01,0.6\n", kept=kept)
    assert "You have a reading of this moment" in messages_of(other)[0][1]
    more = drafted("date,free,ph\n2026-01-01,0.5,7.9\n", kept=kept)
    assert len(more.good) == 1


def test_one_moment_many_times_is_compared_in_linear_time() -> None:
    lines = "\n".join(f"2026-01-01,{k / 30_000:.5f}" for k in range(30_000))
    draft = drafted(f"date,free\n{lines}\n")
    assert draft.bad_rows == 30_000


@given(st.floats(0, 10, allow_nan=False), st.sampled_from([".", ","]))
def test_any_plain_figure_is_read_back(value: float, mark: str) -> None:
    text = f"{value:.6f}".replace(".", mark)
    assert figure(text, decimal=mark) == pytest.approx(value, abs=1e-6)


@given(st.text(max_size=30))
def test_no_text_is_more_than_a_message(text: str) -> None:
    try:
        found = figure(text)
        assert found is None or found == found
        written = stamp(text)
        moment(written, order="dmy", hours=True, zone=zoneinfo.ZoneInfo("UTC"), now=NOW)
    except CellError as error:
        assert str(error)


def test_errors_as_csv_cannot_turn_into_formulas() -> None:
    found = ["=cmd()", "+1", "-1", "@x", "\tx", "plain"]
    text = errors_csv(RowError(k, "free", cell, "wrong") for k, cell in enumerate(found))
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == ["row", "column", "what stands there", "what is wrong"]
    assert [row[2] for row in rows[1:]] == ["'=cmd()", "'+1", "'-1", "'@x", "'\tx", "plain"]


@given(st.text(max_size=20))
def test_safe_cells_never_begin_a_formula(text: str) -> None:
    assert safe_cell(text)[:1] not in ("=", "+", "-", "@", "\t", "\r")


def test_zone_of_these_tests() -> None:
    assert ZONE.key == "America/Chicago"
