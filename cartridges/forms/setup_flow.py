"""The restrictor, and the meter if there is one."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils import timezone

from cartridges.models import Meter, RestrictorFitting, Train
from cartridges.services.setup import Counter
from hobbyhydro.households.fields import QuantityField

from .log_fields import MomentField, NumberField, in_clock_words
from .setup_base import UnitsForm

L_PER_GAL = Meter.LITRES["gal"]
TYPICAL_FLOW_L_DAY = 50.0 * L_PER_GAL  # a small drip emitter: common practice, no source
NO, YES = "no", "yes"


class FlowForm(UnitsForm):
    """What sets the flow, and what counts it."""

    rated_flow_l_day = QuantityField(
        label="Restrictor’s rated flow",
        quantity="flow",
        above_zero=True,
        help_text="Stamped on it or on its package, in gallons or litres a day.",
    )
    rated_pressure_kpa = QuantityField(
        label="Rated at a pressure of",
        quantity="pressure",
        above_zero=True,
        help_text="60 psi (414 kPa) unless the package says otherwise.",
    )
    law = forms.ChoiceField(
        label="Which type is it?",
        choices=RestrictorFitting.Law.choices,
        widget=forms.RadioSelect,
    )
    has_meter = forms.ChoiceField(
        label="Is there a water meter on this train?",
        choices=[(NO, "No"), (YES, "Yes")],
        widget=forms.RadioSelect,
    )
    meter_unit = forms.ChoiceField(label="It counts in", choices=Meter.Unit.choices)
    meter_reading = NumberField(
        label="It reads now",
        unit_text="",
        error_messages={"required": "What does it read?"},
        help_text="All the digits, with the part behind the point if it shows one.",
    )
    meter_start = forms.ChoiceField(
        label="When did it start to count?",
        choices=[
            ("now", "It was counting before; use it from today on"),
            ("zero", "It started from zero together with the first cartridge"),
        ],
        widget=forms.RadioSelect,
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("has_meter") != YES:
            for name in ("meter_unit", "meter_reading", "meter_start"):
                self.errors.pop(name, None)  # hidden, and not asked
        return cleaned

    def clean_meter_reading(self) -> float | None:
        reading: float | None = self.cleaned_data["meter_reading"]
        return None if reading is None else _believable(reading)

    @property
    def meter(self) -> Counter | None:
        """The meter as it was described."""
        if self.cleaned_data["has_meter"] != YES:
            return None
        unit = self.cleaned_data["meter_unit"]
        return Counter(
            unit=unit,
            reading_l=self.cleaned_data["meter_reading"] * Meter.LITRES[unit],
            from_zero=self.cleaned_data["meter_start"] == "zero",
        )


def _believable(reading: float) -> float:
    if reading >= 1e8:
        raise forms.ValidationError(
            "No meter has that many digits. Is the decimal point where you want it?",
            code="too_large",
        )
    return reading


def initial_of(
    restrictor: RestrictorFitting | None, meter: Counter | None, *, units: str
) -> dict[str, Any]:
    """What the form shows: what is known, else what is typical."""
    blank = RestrictorFitting(rated_flow_l_day=TYPICAL_FLOW_L_DAY)
    known = restrictor or blank
    shown: dict[str, Any] = {
        "rated_flow_l_day": known.rated_flow_l_day,
        "rated_pressure_kpa": known.rated_pressure_kpa,
        "law": known.law,
        "has_meter": NO if meter is None else YES,
        "meter_unit": Meter.Unit.US_GALLON if units == "us" else Meter.Unit.LITRE,
        "meter_start": "now",
    }
    if meter is not None:
        shown |= {
            "meter_unit": meter.unit,
            "meter_reading": meter.reading_l / Meter.LITRES[meter.unit],
            "meter_start": "zero" if meter.from_zero else "now",
        }
    return shown


class MeterForm(UnitsForm):
    """A meter that was fitted, in place of the ``last`` one where there was one."""

    unit = forms.ChoiceField(label="It counts in", choices=Meter.Unit.choices)
    fitted_at = MomentField(label="When was it fitted?")
    start = NumberField(
        label="It read then",
        unit_text="",
        help_text="0 if it is new.",
        initial=0,
    )
    turn = NumberField(
        label="Starts again from zero after",
        unit_text="",
        above_zero=True,
        required=False,
        help_text="The number at which the dial is full, such as 100,000. Can be said later.",
    )
    last_reading = NumberField(
        label="The old meter’s last reading",
        unit_text="",
        required=False,
        help_text="If you wrote it down: the water up to the change is then counted exactly.",
    )

    def __init__(
        self,
        *args: Any,
        train: Train,
        last: Meter | None,
        last_at: dt.datetime | None,
        last_reading_l: float | None,
        **kwargs: Any,
    ) -> None:
        self.train = train
        self.last = last
        self.last_at = last_at
        self.last_reading_l = last_reading_l
        super().__init__(*args, **kwargs)
        if last is None:
            del self.fields["last_reading"]

    def clean_start(self) -> float:
        return _believable(self.cleaned_data["start"])

    def clean_turn(self) -> float | None:
        turn: float | None = self.cleaned_data["turn"]
        return None if turn is None else _believable(turn)

    def clean_fitted_at(self) -> dt.datetime:
        at: dt.datetime = self.cleaned_data["fitted_at"]
        if self.last_at is not None and at <= self.last_at:
            raise forms.ValidationError(
                f"The meter before it was still read on {in_clock_words(self.last_at)}. Pick a "
                "later moment.",
                code="before_last",
            )
        return at

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        turn, start = cleaned.get("turn"), cleaned.get("start")
        if turn is not None and start is not None and start >= turn:
            self.add_error("turn", "It cannot read more than it can show. Please check both.")
        final = cleaned.get("last_reading")
        if final is not None and self.last is not None and self.last_reading_l is not None:
            least = self.last_reading_l / self.last.litres_per_unit
            if final < least * (1 - 1e-9):
                self.add_error(
                    "last_reading",
                    f"It read {self.last.face(self.last_reading_l)} before. If the dial passed "
                    "zero since, log that reading by itself first.",
                )
        return cleaned

    @property
    def meter(self) -> Meter:
        """The new meter, not saved."""
        per_unit = Meter.LITRES[self.cleaned_data["unit"]]
        turn = self.cleaned_data["turn"]
        return Meter(
            train=self.train,
            unit=self.cleaned_data["unit"],
            fitted_at=self.cleaned_data["fitted_at"] or timezone.now(),
            start_l=self.cleaned_data["start"] * per_unit,
            rolls_over_at_l=None if turn is None else turn * per_unit,
        )

    @property
    def final_reading_l(self) -> float | None:
        """The old meter's last reading, in litres."""
        final = self.cleaned_data.get("last_reading")
        if final is None or self.last is None:
            return None
        return float(final) * self.last.litres_per_unit
