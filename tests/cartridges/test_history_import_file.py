"""Files of every kind, good and bad, and what is said of them."""

from __future__ import annotations

import codecs
import io
import zipfile

import pytest

from cartridges.services import history_file
from cartridges.services.history_columns import guess
from cartridges.services.history_file import FileProblem, choices, encoding_of, open_sheet

from .histories import REAL, drafted, guessed, messages_of, noon

PLAIN = "date,free,total,note\n2026-01-01,0.1,2.0,Weiß\n2026-01-02,0.2,2.1,é\n"


def refusal(content: bytes) -> str:
    with pytest.raises(FileProblem) as refused:
        guess(open_sheet(content))
    return str(refused.value)


def test_the_real_series_goes_in_as_it_is() -> None:
    draft = drafted(REAL.read_bytes())
    assert len(draft.good) == 547  # rows of that city's file, counted with wc
    assert not draft.errors and not draft.repeats and not draft.unmeasured
    assert draft.good[0].number == 2
    assert draft.good[0].at == noon(2015, 1, 1)
    assert draft.good[0].values == (0.58, None, None, None, 0.96)
    assert draft.good[-1].values == (0.67, None, None, None, 0.78)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"]
)
def test_reads_what_is_certain(encoding: str) -> None:
    content = PLAIN.encode(encoding)
    sheet = open_sheet(content)
    assert sheet.rows[0] == ["date", "free", "total", "note"]
    assert sheet.rows[1][3] == "Weiß"
    assert len(drafted(content).good) == 2


def test_big_endian_with_its_mark() -> None:
    content = codecs.BOM_UTF16_BE + PLAIN.encode("utf-16-be")
    assert open_sheet(content).rows[2][3] == "é"


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "mac_roman"])
def test_asks_for_an_encoding_that_nothing_gives_away(encoding: str) -> None:
    content = PLAIN.encode(encoding)
    assert encoding_of(content) is None
    offered = choices(content)
    assert any("Weiß" in line for line in offered.values())
    assert len(set(offered.values())) == len(offered)
    assert "encoding" in refusal(content)


def test_plain_letters_need_no_question() -> None:
    assert encoding_of(b"date,free\n2026-01-01,0.1\n") == "utf-8"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"  \r\n \n", "empty"),
        (codecs.BOM_UTF8, "no readings"),
        (b",,\n,,\n", "blank"),
        (b"date,free,turbidity\n", "no readings below"),
        (b"date\n2026-01-01\n", "Only one column"),
        (b"%PDF-1.7 rest", "PDF"),
        (b"\x1f\x8b\x08rest", "compressed"),
        (b"\xd0\xcf\x11\xe0rest", "spreadsheet"),
        (b"date,free\n2026-01-01,0.1\n2026-01-02,\x00\n", "Row 3 holds zero bytes"),
        (b"\x00\x01\x02\x03", "not a text file"),
        (b'date,free\n2026-01-01,0.1\n2026-01-02,"0.2\n2026-01-03,0.3\n', "opens in row 3"),
        (b'date,free\n2026-01-01,"0.1"x\n', "row 2 do not match"),
        (b"a" + b",b" * 600 + b"\n" + b"1" + b",2" * 600 + b"\n", "columns"),
    ],
)
def test_says_what_is_wrong_with_the_file(content: bytes, words: str) -> None:
    assert words in refusal(content)


def test_a_zip_named_csv_is_told_from_text() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("tap.csv", PLAIN)
    assert "zip archive" in refusal(packed.getvalue())


def test_a_file_beyond_the_limit_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history_file, "MOST_BYTES", 1_048_576)
    assert "at most 1 MB" in refusal(b"date,free\n" + b"2026-01-01,0.1\n" * 80_000)


def test_more_rows_than_can_be_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history_file, "MOST_ROWS", 10)
    assert "more than 10 rows" in refusal(b"date,free\n" + b"2026-01-01,0.1\n" * 10)
    assert len(open_sheet(b"date,free\n" + b"2026-01-01,0.1\n" * 9).rows) == 10


@pytest.mark.parametrize(
    ("content", "delimiter", "decimal"),
    [
        ("date,free,ntu\n2026-01-01,0.58,0.9\n", ",", "."),
        ("date;free;ntu\n2026-01-01;0,58;0,9\n", ";", ","),
        ("date;free;ntu\n2026-01-01;0.58;0.9\n", ";", "."),
        ("date\tfree\tntu\n2026-01-01\t0,58\t0,9\n", "\t", ","),
        ("date|free|ntu\n2026-01-01|0.58|0.9\n", "|", "."),
        ('date,free,ntu\n2026-01-01,"0,58","0,9"\n', ",", ","),
        ("date;free\r\n2026-01-01;0,58\r\n", ";", ","),
        ("date,free\r2026-01-01,0.58\r", ",", "."),
    ],
)
def test_finds_out_what_splits_columns_and_decimals(
    content: str, delimiter: str, decimal: str
) -> None:
    matching = guessed(content)
    assert (matching.delimiter, matching.decimal) == (delimiter, decimal)
    [row] = drafted(content).good
    assert row.values[0] == 0.58


@pytest.mark.parametrize(
    ("header", "columns"),
    [
        ("sampled_on,free_chlorine_mg_l,turbidity_ntu", "date free_mg_l turbidity_ntu"),
        ("Sample Date,Sample Time,Residual Free Chlorine (mg/L)", "date time free_mg_l"),
        ("Date,Site,Total Cl2 ppm,pH", "date - total_mg_l ph"),
        ("Day,Total coliform,Water temp (F),Free Cl2", "date - temperature_c free_mg_l"),
        ("when,TOTAL CHLORINE,phosphate", "date total_mg_l -"),
        ("date,free,total", "date free_mg_l total_mg_l"),
        ("date,total dissolved solids (mg/L),free ammonia", "date - -"),
    ],
)
def test_guesses_columns_by_their_names(header: str, columns: str) -> None:
    cells = {"time": "10:30", "date": "2026-01-01"}
    row = ",".join(cells.get(name, "1.5") for name in columns.split())
    expected = {name: i for i, name in enumerate(columns.split()) if name != "-"}
    assert guessed(f"{header}\n{row}\n").columns == expected


@pytest.mark.parametrize(
    ("head", "cell", "kept"),
    [
        ("temp (°F)", "68", 20.0),  # definition of °F: (68 - 32) / 1.8
        ("temp °C", "20", 20.0),
        ("temperature", "68", 20.0),  # no tap delivers 68 °C
        ("temperature", "20", 20.0),
    ],
)
def test_reads_either_scale_of_temperature(head: str, cell: str, kept: float) -> None:
    [row] = drafted(f"date,{head}\n2026-01-01,{cell}\n").good
    assert row.values[2] == pytest.approx(kept)


def test_reads_micrograms() -> None:
    [row] = drafted("date,free chlorine (µg/L)\n2026-01-01,580\n").good
    assert row.values[0] == pytest.approx(0.58)


def test_title_lines_above_the_names_are_passed_over() -> None:
    content = "Yearly report\n\ndate,free,total\n2026-01-01,0.1,2.0\n"
    assert guessed(content).header_row == 3
    assert [row.number for row in drafted(content).good] == [4]


def test_no_header_the_first_row_is_a_reading() -> None:
    content = "2026-01-01,0.1,2.0\n2026-01-02,0.2,2.1\n"
    matching = guessed(content)
    assert matching.header_row == 0
    assert matching.columns == {"date": 0}
    draft = drafted(content, columns={"date": 0, "free_mg_l": 1, "total_mg_l": 2})
    assert [row.number for row in draft.good] == [1, 2]


def test_rows_are_counted_as_a_spreadsheet_shows_them() -> None:
    content = 'date,note,free\n2026-01-01,"two\nlines",0.1\n\n2026-01-02,,bad\n'
    draft = drafted(content)
    assert [row.number for row in draft.good] == [2]
    assert [number for number, _ in messages_of(draft)] == [4]


def test_ragged_rows_are_named() -> None:
    content = "date,free,total\n2026-01-01,0.1\n2026-01-02,0.1,2.0,9\n2026-01-03,0.1,2.0,,\n"
    draft = drafted(content)
    assert [row.number for row in draft.good] == [4]
    assert [(n, m[:35]) for n, m in messages_of(draft)] == [
        (2, "This row has 2 cells where the othe"),
        (3, "This row has 4 cells where the othe"),
    ]
