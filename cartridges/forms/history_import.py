"""The three questions of an import: which file, how it is laid out, and which column is which."""

from __future__ import annotations

from collections import Counter
from itertools import islice
from typing import Any, cast

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Field, Layout
from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from cartridges.models import SourceReading
from cartridges.services.history_cells import DateSurvey, Order
from cartridges.services.history_columns import (
    MEASURES,
    Matching,
    column_names,
    data_rows,
    dates_of,
    letter,
)
from cartridges.services.history_file import DELIMITERS, MOST_BYTES, MOST_ROWS, Sheet

MEGABYTES = MOST_BYTES // 1_048_576
ORDERS = (("", "As the dates themselves show"), ("dmy", "Day first"), ("mdy", "Month first"))
NOT_HERE = ("", "Not in this file")


class PlainForm(forms.Form):
    """A form whose tags and token the template writes."""

    use_required_attribute = False

    @property
    def helper(self) -> FormHelper:
        helper = FormHelper(self)
        helper.form_tag = False
        helper.disable_csrf = True
        return helper


class Choice(forms.ChoiceField):
    """A choice of which the empty one is an answer like the others, and not left out."""

    def validate(self, value: str) -> None:
        if value and not self.valid_value(value):
            super().validate(value)


class UploadForm(PlainForm):
    """The file."""

    file = forms.FileField(
        label="CSV file",
        max_length=1000,
        help_text=f"Up to {MEGABYTES} MB and {MOST_ROWS:,} rows.",
        error_messages={
            "required": "Which file? Choose one first.",
            "empty": "This file is empty.",
        },
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,.tsv,text/csv,text/plain"}),
    )

    def clean_file(self) -> UploadedFile[Any]:
        file = cast("UploadedFile[Any]", self.cleaned_data["file"])
        if file.size is not None and file.size > MOST_BYTES:
            raise ValidationError(
                f"This file is {file.size / 1_048_576:,.0f} MB; at most {MEGABYTES} MB can be "
                "read. Split it into parts, and import them in turn."
            )
        return file


class LayoutForm(PlainForm):
    """How the file is written: its encoding, what splits the columns, where their names stand."""

    encoding = forms.ChoiceField(label="Which of these reads right?", widget=forms.RadioSelect)
    delimiter = forms.ChoiceField(
        label="What splits the columns?",
        required=False,
        choices=[("", "Find out"), *DELIMITERS.items()],
    )
    header_row = forms.ChoiceField(label="Where are the column names?", required=False)

    def __init__(
        self, *args: Any, encodings: dict[str, str], sheet: Sheet | None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        encoding = cast(forms.ChoiceField, self.fields["encoding"])
        encoding.choices = list(encodings.items())
        header = cast(forms.ChoiceField, self.fields["header_row"])
        rows = list(islice(enumerate(sheet.rows, start=1), 12)) if sheet else []
        header.choices = [
            ("", "Find out"),
            *((str(n), f"Row {n}: {' | '.join(row)[:70]}") for n, row in rows if any(row)),
            ("0", "There are none"),
        ]
        if len(encodings) == 1:
            encoding.widget = forms.HiddenInput()
            encoding.initial = next(iter(encodings))
        if sheet is None:
            del self.fields["delimiter"], self.fields["header_row"]

    def clean_header_row(self) -> int | None:
        given = self.cleaned_data.get("header_row")
        return int(given) if given else None


class ColumnsForm(PlainForm):
    """Which column is which, and in what units. ``matching`` is what it amounts to once clean."""

    date = forms.ChoiceField(
        label="Date", error_messages={"required": "Which column holds the date?"}
    )
    time = Choice(label="Time of day, where it has a column of its own")
    date_order = Choice(label="Order of day and month", choices=list(ORDERS))
    free_mg_l = Choice(label="Free chlorine")
    free_mg_l_unit = Choice(label="Unit")
    total_mg_l = Choice(label="Total chlorine")
    total_mg_l_unit = Choice(label="Unit")
    temperature_c = Choice(label="Temperature")
    temperature_c_unit = Choice(label="Unit")
    ph = Choice(label="pH")
    turbidity_ntu = Choice(label="Turbidity")
    decimal = forms.ChoiceField(
        label="Decimals are written",
        choices=[(".", "with a point: 0.58"), (",", "with a comma: 0,58")],
    )
    below = Choice(
        label="“Below” readings, such as <0.05",
        choices=[
            ("figure", "Take the figure itself: never less than what was there"),
            ("refuse", "Leave those rows out"),
        ],
    )
    origin = forms.ChoiceField(
        label="Who made these tests?",
        choices=[
            (SourceReading.Origin.UTILITY, "The utility"),
            (SourceReading.Origin.OWN, "We did"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Who made these tests: the utility, or you?"},
    )

    def __init__(self, *args: Any, sheet: Sheet, found: Matching, **kwargs: Any) -> None:
        kwargs["initial"] = self.initial_of(found)
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.found = found
        self.names = column_names(sheet, found.header_row)
        _, example = next(data_rows(sheet, found.header_row), (0, []))
        columns = [
            (str(i), f"{letter(i)}: {name}" + (f" ({example[i][:20]})" if i < len(example) else ""))
            for i, name in enumerate(self.names)
        ]
        self._offer("date", [("", "Choose the column"), *columns])
        for name in ("time", *MEASURES):
            self._offer(name, [NOT_HERE, *columns])
        for measure in MEASURES.values():
            if len(measure.units) > 1:
                choices = [(code, label) for code, (label, _, _) in measure.units.items()]
                self._offer(f"{measure.name}_unit", choices)
                unit = self.fields[f"{measure.name}_unit"]
                unit.widget.attrs["aria-label"] = f"Unit of {measure.label.lower()}"
        if not any(c.lstrip().startswith("<") for row in sheet.rows for c in row):
            del self.fields["below"]

    def _offer(self, name: str, choices: list[tuple[str, str]]) -> None:
        cast(forms.ChoiceField, self.fields[name]).choices = choices

    @staticmethod
    def initial_of(found: Matching) -> dict[str, Any]:
        initial: dict[str, Any] = {name: str(index) for name, index in found.columns.items()}
        initial |= {f"{name}_unit": unit for name, unit in found.units.items()}
        initial |= {"date_order": found.order, "decimal": found.decimal, "below": found.below}
        return {**initial, "below": "figure", "origin": found.origin or None}

    @property
    def helper(self) -> FormHelper:
        helper = super().helper
        pairs = [
            Div(Field(n, wrapper_class="match-column"),
                *([Field(f"{n}_unit", wrapper_class="match-unit")] if f"{n}_unit" in self.fields
                  else []),
                css_class="match-row")
            for n in MEASURES
        ]  # fmt: skip
        rest = [n for n in ("decimal", "below", "origin") if n in self.fields]
        helper.layout = Layout("date", "date_order", "time", *pairs, *rest)
        return helper

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        chosen = {n: int(cleaned[n]) for n in ("date", "time", *MEASURES) if cleaned.get(n)}
        if not any(name in chosen for name in MEASURES):
            self.add_error(
                None, "Which column holds a reading? Choose at least one beside the date."
            )
        counts = Counter(chosen.values())
        for name, index in chosen.items():
            if counts[index] > 1:
                self.add_error(name, f"Column {letter(index)} is chosen more than once.")
        if "date" in chosen and not self.errors.get("date"):
            self._clean_dates(chosen, cleaned)
        return cleaned

    def _clean_dates(self, chosen: dict[str, int], cleaned: dict[str, Any]) -> None:
        seen = dates_of(self.sheet, self._matching(chosen, cleaned))
        order = cleaned.get("date_order") or ""
        if seen.dates == 0:
            self.add_error("date", "No cell of this column is a date, such as 2015-01-31.")
        elif seen.day_first is not None and seen.month_first is not None:
            self.add_error("date", _mixed(seen.day_first, seen.month_first))
        elif seen.must_ask and not order:
            self.add_error("date_order", _both_ways(seen))
        elif seen.order and order and order != seen.order:
            row, text = seen.day_first or seen.month_first or (0, "")
            words = "month" if order == "mdy" else "day"
            self.add_error("date_order", f"Row {row} reads {text}: that cannot be {words} first.")
        else:
            cleaned["date_order"] = order or seen.order

    def _matching(self, chosen: dict[str, int], cleaned: dict[str, Any]) -> Matching:
        units = {n: cleaned.get(f"{n}_unit") for n in chosen if cleaned.get(f"{n}_unit")}
        return Matching(
            encoding=self.found.encoding,
            delimiter=self.found.delimiter,
            header_row=self.found.header_row,
            columns=chosen,
            units=cast("dict[str, str]", units),
            order=cast(Order, cleaned.get("date_order") or ""),
            decimal=cleaned.get("decimal") or ".",
            below=cleaned.get("below") or "refuse",
            origin=cleaned.get("origin") or "",
        )

    @property
    def matching(self) -> Matching:
        """How the file is to be read, once the form is clean."""
        cleaned = self.cleaned_data
        chosen = {n: int(cleaned[n]) for n in ("date", "time", *MEASURES) if cleaned.get(n)}
        return self._matching(chosen, cleaned)


def _mixed(day_first: tuple[int, str], month_first: tuple[int, str]) -> str:
    return (
        f"These dates are written in two orders: row {day_first[0]} reads {day_first[1]}, with the "
        f"day first, and row {month_first[0]} reads {month_first[1]}, with the month first. "
        "No reading fits all of them. Write them in one way in the file, and upload it again."
    )


def _both_ways(seen: DateSurvey) -> str:
    row, text = seen.open_row or (0, "")
    return f"Every date can be read both ways. Row {row} reads {text}: which comes first?"
