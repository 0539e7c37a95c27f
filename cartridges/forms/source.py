"""What a keeper states about a tap, and when the utility runs another disinfectant."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from cartridges.models import Disinfectant, Source, SwitchPeriod
from cartridges.services.acts import ActError
from hobbyhydro.households.fields import QuantityField

from .log_fields import EARLIEST, NumberField
from .setup_base import DayField, UnitsForm

FORWARD = dt.timedelta(days=730)  # how far ahead a utility announces a switch, at most


class SourceForm(UnitsForm):
    """Name, disinfectant, and the figures that stand where no test says otherwise."""

    name = forms.CharField(label="Name of this tap", max_length=80)
    disinfectant = forms.ChoiceField(
        label="What does your utility disinfect with, most of the year?",
        choices=Disinfectant.choices,
        widget=forms.RadioSelect,
        help_text="Its yearly water report says so. Unsure? Ask; the carbon depends on it. This "
        "stands for the whole past: where the utility has changed for good, enter a switch "
        "without a last day instead.",
    )
    temperature_c = QuantityField(
        label="Temperature",
        quantity="temperature",
        help_text="At the tap, over the year. Counts where no test has measured it.",
    )
    ph = NumberField(label="pH", unit_text="pH", least=4.0, most=11.0)
    turbidity_ntu = QuantityField(
        label="Turbidity",
        quantity="turbidity",
        help_text="Cloudiness, from the utility’s report. Clear tap water has 0.1 to 1.",
    )

    @staticmethod
    def initial_of(source: Source) -> dict[str, Any]:
        names = ("name", "disinfectant", "temperature_c", "ph", "turbidity_ntu")
        return {name: getattr(source, name) for name in names}


class AnnouncedDayField(DayField):
    """A day that may be still to come: utilities announce a switch beforehand."""

    def validate(self, value: dt.date | None) -> None:
        forms.Field.validate(self, value)
        if value is None:
            return
        if value.year < EARLIEST.year or value > timezone.localdate() + FORWARD:
            raise ValidationError("Please check the year.", code="invalid")


class SwitchForm(UnitsForm):
    """First and last day of a switch period, and the disinfectant in that time."""

    to = forms.ChoiceField(
        label="Disinfectant in that time",
        choices=Disinfectant.choices,
        widget=forms.RadioSelect,
    )
    first_day = AnnouncedDayField(
        label="First day", error_messages={"required": "On which day does it begin?"}
    )
    last_day = AnnouncedDayField(
        label="Last day",
        required=False,
        help_text="As the utility announced it; it can be corrected later. Leave it empty when the "
        "change is for good: what was before it stays as it was.",
    )
    remark = forms.CharField(label="Remark", max_length=500, required=False)
    why = forms.CharField(
        label="Why is it corrected?",
        max_length=200,
        required=False,
        help_text="The old entry is kept beside the new one.",
    )

    def __init__(self, *args: Any, switch: SwitchPeriod | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if switch is None:
            del self.fields["why"]

    @staticmethod
    def initial_of(switch: SwitchPeriod) -> dict[str, Any]:
        return {
            "to": switch.to,
            "first_day": timezone.localtime(switch.at).date(),
            "last_day": None if switch.is_for_good else timezone.localtime(switch.until).date(),
            "remark": switch.remark,
        }

    def refuse(self, error: ActError) -> None:
        """Say beside its field why it could not be done."""
        self.add_error(error.field if error.field in self.fields else None, error.message)
