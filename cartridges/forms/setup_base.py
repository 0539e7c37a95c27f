"""What the set-up, the train's settings and the shelf share: units, days and plain numbers."""

from __future__ import annotations

import datetime as dt
from typing import Any

from crispy_forms.helper import FormHelper
from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_date

from hobbyhydro.households.fields import QuantityField
from hobbyhydro.households.units import from_kept

from .log_fields import EARLIEST, NumberField

DAYS_PER_MONTH = 365.25 / 12


def shown(value: float, *, quantity: str, units: str) -> str:
    """A kept value as a keeper would write it: four digits, or all of a larger whole.

    A pressure within a thousandth of a whole number is that number: 60 psi is 414 kPa.
    """
    figure = from_kept(value, quantity=quantity, units=units)
    if quantity == "pressure" and abs(figure - round(figure)) < 1e-3 * figure:
        return str(round(figure))
    return f"{figure:.4g}" if abs(figure) < 1000 else f"{figure:.7g}"


class UnitsForm(forms.Form):
    """A form whose quantities are typed in the reader's units.

    What is known is shown rounded; a box that is left as it was shown gives what is known back,
    unrounded.
    """

    def __init__(self, *args: Any, units: str = "us", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.units = units
        self.known: dict[str, float] = {}
        for name, field in self.fields.items():
            if isinstance(field, QuantityField) and not isinstance(field, NumberField):
                field.use_units(units)
                self._show_rounded(name, field)

    def _show_rounded(self, name: str, field: QuantityField) -> None:
        value = self.initial.get(name)
        if isinstance(value, int | float):
            self.known[name] = float(value)
            self.initial[name] = shown(value, quantity=field.quantity, units=self.units)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for name, value in self.known.items():
            field = self.fields.get(name)
            same_unit = isinstance(field, QuantityField) and field.units == self.units
            if same_unit and name in cleaned and name not in self.changed_data:
                cleaned[name] = value
        return cleaned

    @property
    def helper(self) -> FormHelper:
        helper = FormHelper(self)
        helper.form_tag = False
        helper.disable_csrf = True
        return helper


class DayField(forms.Field):
    """A day on the household's calendar, not in the future."""

    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")

    def prepare_value(self, value: Any) -> Any:
        return value.isoformat() if isinstance(value, dt.date) else value

    def to_python(self, value: Any) -> dt.date | None:
        text = str(value or "").strip()
        if not text:
            return None
        try:
            day = parse_date(text)
        except ValueError:
            day = None
        if day is None:
            raise ValidationError("This is not a date. Write it like 2026-03-31.", code="invalid")
        return day

    def validate(self, value: dt.date | None) -> None:
        super().validate(value)
        if value is None:
            return
        if value > timezone.localdate():
            raise ValidationError("This day is still to come.", code="future")
        if value.year < EARLIEST.year:
            raise ValidationError("Please check the year.", code="invalid")


class WholeField(NumberField):
    """A whole number, asked for and refused in the same words as the other numbers."""

    def __init__(self, *, unit_text: str = "", **kwargs: Any) -> None:
        super().__init__(unit_text=unit_text, **kwargs)
        self.widget.attrs["inputmode"] = "numeric"

    def validate(self, value: float | None) -> None:
        super().validate(value)
        if value is not None and value != int(value):
            raise ValidationError("This needs a whole number.", code="invalid")

    def clean(self, value: Any) -> int | None:
        number = super().clean(value)
        return None if number is None else int(number)


def moment_on(day: dt.date) -> dt.datetime:
    """A moment of that day: now if it is today, else its noon."""
    if day == timezone.localdate():
        return timezone.now()
    return timezone.make_aware(dt.datetime.combine(day, dt.time(12)))
