"""Fields that every log form is made of: a moment on the household's clock, and plain numbers."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from hobbyhydro.households.fields import QuantityField

FUTURE_SLACK = dt.timedelta(minutes=5)
EARLIEST = dt.datetime(1990, 1, 1, tzinfo=dt.UTC)
TYPED = "%Y-%m-%dT%H:%M"


def to_the_minute(moment: dt.datetime) -> dt.datetime:
    return moment.replace(second=0, microsecond=0)


def in_clock_words(moment: dt.datetime) -> str:
    """“3 Mar 2026 at 10:42” on the household's clock."""
    local = timezone.localtime(moment)
    return f"{local.day} {local:%b %Y} at {local:%H:%M}"


class MomentField(forms.Field):
    """Date and time as the household's clock showed them, to the minute; never in the future.

    An hour that comes twice when the clocks go back is the later one, unless that is still to
    come; an hour that the clocks skip is refused. ``original`` is the moment being corrected:
    left as it was shown, it is kept to the second. Nothing typed means now.
    """

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=TYPED)

    def __init__(self, *, now_when_empty: bool = True, **kwargs: Any) -> None:
        super().__init__(required=now_when_empty, **kwargs)
        self.now_when_empty = now_when_empty
        self.original: dt.datetime | None = None

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, dt.datetime):
            return timezone.localtime(value).strftime(TYPED)
        return value

    def to_python(self, value: Any) -> dt.datetime | None:
        text = str(value or "").strip()
        if not text:
            return to_the_minute(timezone.now()) if self.now_when_empty else None
        if self.original is not None and text == self.prepare_value(self.original):
            return self.original
        try:
            typed = parse_datetime(text)
        except ValueError:
            typed = None
        if typed is None:
            raise ValidationError(
                "This is not a date and time. Write it like 2026-03-31 14:05.", code="invalid"
            )
        if typed.tzinfo is not None:
            return to_the_minute(typed)
        return self._on_the_clock(to_the_minute(typed))

    def _on_the_clock(self, typed: dt.datetime) -> dt.datetime:
        if not EARLIEST.year <= typed.year <= 9000:
            raise ValidationError("Please check the year.", code="invalid")
        zone = timezone.get_current_timezone()
        first = typed.replace(tzinfo=zone, fold=0).astimezone(dt.UTC)
        second = typed.replace(tzinfo=zone, fold=1).astimezone(dt.UTC)
        if timezone.localtime(first).replace(tzinfo=None) != typed:
            raise ValidationError(
                "The clocks skipped this time when they went forward. Pick the hour after it.",
                code="skipped",
            )
        return second if second <= timezone.now() + FUTURE_SLACK else first

    def validate(self, value: dt.datetime | None) -> None:
        if value is not None and value > timezone.now() + FUTURE_SLACK:
            raise ValidationError(
                "This is in the future. Log it once it has happened.", code="future"
            )
        if value is not None and value < EARLIEST:
            raise ValidationError("Please check the year.", code="invalid")


class NumberField(QuantityField):
    """A number in a unit that is the same for every reader, such as seconds or a meter's gallons.

    ``per_unit`` turns the typed number into what is kept; ``least`` and ``most`` are typed
    numbers. Text, NaN and infinity are refused in the words of QuantityField.
    """

    def __init__(self, *, unit_text: str, per_unit: float = 1.0, **kwargs: Any) -> None:
        self.unit_text = unit_text
        self.per_unit = per_unit
        # Turbidity is written and kept in one and the same unit, so the number passes untouched.
        super().__init__(quantity="turbidity", **kwargs)

    @property
    def unit_label(self) -> str:
        return self.unit_text

    @property
    def example(self) -> str:
        return "7.5" if self.unit_text == "pH" else "12.5"

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int | float):
            return f"{value / self.per_unit:.10g}"
        return value

    def to_python(self, value: Any) -> Any:
        number = super().to_python(value)
        return None if number is None else number * self.per_unit

    def validate(self, value: float | None) -> None:
        forms.Field.validate(self, value)
        if value is None:
            return
        number = value / self.per_unit
        least, most = self.least or 0.0, self.most or math.inf
        if self.above_zero and number <= 0:
            raise ValidationError("This must be more than zero.", code="not_positive")
        if number < least:
            raise ValidationError(
                "This cannot be below zero." if least == 0 else f"At least {least:,.10g}, please.",
                code="too_small",
            )
        if number > most:
            raise ValidationError(
                f"This looks too large: at most {f'{most:,.10g} {self.unit_text}'.strip()} makes "
                "sense here. "
                "Is the decimal point where you want it?",
                code="too_large",
            )
