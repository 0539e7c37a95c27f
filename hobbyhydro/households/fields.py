"""Form fields that take a physical quantity in the keeper's own unit."""

from __future__ import annotations

import math
import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from . import units as edge

_GROUPED = re.compile(
    r"(?P<sign>[+-]?)(?P<whole>[1-9]\d{0,2}(?:(?P<mark>[,.])\d{3})(?:(?P=mark)\d{3})*)"
    r"(?:(?P<point>(?!(?P=mark))[,.])(?P<part>\d*))?"
)

EXAMPLES = {"chlorine": "0.5", "turbidity": "0.5", "rated_flow": "0.5"}


def plain_number(text: str) -> str:
    """Digits as people write them, in the form that ``float`` reads.

    Thousands may be set off by spaces, or by commas or points where the figures leave no doubt:
    “1,234” and “1.234,5” are one thousand and more, “1.234”, “12,34” and “0,125” are not. What is
    neither comes back as it is.
    """
    text = re.sub(r"\s", "", text)
    found = _GROUPED.fullmatch(text)
    if found:
        groups = found["whole"].split(found["mark"])
        if found["mark"] == "," or found["point"] or len(groups) > 2:
            return found["sign"] + "".join(groups) + "." + (found["part"] or "0")
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


class QuantityField(forms.FloatField):
    """A number in the keeper's unit; its clean value is in the unit that the model keeps.

    ``quantity`` names an entry of ``units.QUANTITIES``; ``units`` is "us" or "metric". Bounds are
    given in the kept unit, and the message names them in the keeper's. Text, NaN and infinity are
    refused in words; a thousands comma and surrounding spaces are taken.
    """

    widget = forms.TextInput

    def __init__(
        self,
        *,
        quantity: str,
        units: str = "us",
        least: float | None = None,
        most: float | None = None,
        above_zero: bool = False,
        **kwargs: Any,
    ) -> None:
        self.quantity = quantity
        self.least = least
        self.most = most
        self.above_zero = above_zero
        super().__init__(**kwargs)
        self.widget.attrs.setdefault("inputmode", "decimal")
        self.widget.attrs.setdefault("autocomplete", "off")
        self.use_units(units)

    def use_units(self, units: str) -> None:
        """Read and show in this system from now on."""
        self.units = units
        self.widget.attrs["data-unit"] = self.unit_label

    @property
    def example(self) -> str:
        """A number that could stand here, for the message that asks for one."""
        return EXAMPLES.get(self.quantity, "12.5")

    @property
    def unit_label(self) -> str:
        return edge.unit_label(self.quantity, units=self.units)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int | float):
            return edge.typed(float(value), quantity=self.quantity, units=self.units)
        return value

    def has_changed(self, initial: Any, data: Any) -> bool:
        shown = self.prepare_value(initial)
        return str(shown or "") != str(data or "").strip()

    def to_python(self, value: Any) -> Any:
        if value in self.empty_values or str(value).strip() == "":
            return None
        try:
            number = float(plain_number(str(value)))
        except ValueError:
            raise ValidationError(
                f"“{value}” is not a number. Write it in {self.unit_label}, "
                f"such as {self.example}.",
                code="invalid",
            ) from None
        if not math.isfinite(number):
            raise ValidationError("This needs an ordinary number.", code="invalid")
        return edge.to_kept(number, quantity=self.quantity, units=self.units)

    def validate(self, value: Any) -> None:
        super().validate(value)
        if value is None:
            return
        kind = edge.QUANTITIES[self.quantity]
        least = kind.least if self.least is None else self.least
        most = kind.most if self.most is None else self.most
        if self.above_zero and value <= 0:
            raise ValidationError("This must be more than zero.", code="not_positive")
        slack = 1e-9 * max(1.0, abs(least), abs(most))
        if value < least - slack:
            if least == 0 and self.quantity != "temperature":
                raise ValidationError("This cannot be below zero.", code="too_small")
            raise ValidationError(f"This must be at least {self._words(least)}.", code="too_small")
        if value > most + slack:
            raise ValidationError(
                f"This looks too large: at most {self._words(most)} makes sense here. "
                "Is the decimal point where you want it?",
                code="too_large",
            )

    def _words(self, kept: float) -> str:
        return edge.in_words(kept, quantity=self.quantity, units=self.units)
