"""Forms about people and their household."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django import forms

from .models import Household, User

CURRENCIES = ["USD", "CAD", "EUR", "GBP", "AUD", "NZD", "CHF", "SEK", "NOK", "DKK", "JPY", "PLN"]


class SignUpForm(forms.Form):
    """What we ask beside email and password, and the household that comes of it."""

    name = forms.CharField(
        label="What should we call you?",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "given-name"}),
    )
    units = forms.ChoiceField(
        label="Units you read in",
        choices=User.Units.choices,
        initial=User.Units.US,
        required=False,
        widget=forms.RadioSelect,
    )
    device_zone = forms.CharField(
        required=False, widget=forms.HiddenInput(attrs={"data-device-zone": True})
    )
    field_order = ["name", "email", "password1", "password2", "units"]

    def clean_device_zone(self) -> str:
        """The device's time zone where it is one we know; nobody typed it, so nobody is told."""
        zone: str = self.cleaned_data["device_zone"]
        return zone if zone in zoneinfo.available_timezones() else "UTC"

    def signup(self, request: Any, user: User) -> None:
        user.name = self.cleaned_data["name"]
        user.units = self.cleaned_data["units"] or User.Units.US
        user.save(update_fields=["name", "units"])
        Household.found(owner=user, time_zone=self.cleaned_data["device_zone"])


class PersonForm(forms.ModelForm):  # type: ignore[type-arg]  # takes none at run time
    """How one person wants to be called and to read."""

    class Meta:
        model = User
        fields = ["name", "units", "theme"]
        labels = {"name": "Your name", "units": "Units", "theme": "Colours"}
        help_texts = {
            "name": "Others in the household see it beside what you log.",
            "units": "For you alone. What is kept does not change.",
        }
        widgets = {
            "name": forms.TextInput(attrs={"autocomplete": "name"}),
            "units": forms.RadioSelect,
            "theme": forms.RadioSelect,
        }


class HouseholdForm(forms.ModelForm):  # type: ignore[type-arg]  # takes none at run time
    """What the household calls itself, where it is, and what it pays in."""

    time_zone = forms.ChoiceField(
        label="Time zone",
        choices=lambda: [
            (name, name.replace("_", " ")) for name in sorted(zoneinfo.available_timezones())
        ],
        widget=forms.Select(attrs={"data-suggest-zone": "zone-offer"}),
        help_text="The day a swap falls on is counted here.",
    )
    currency = forms.ChoiceField(
        label="Currency",
        choices=[(c, c) for c in CURRENCIES],
        help_text="For the price of cartridges. Amounts already written down are not converted.",
    )

    class Meta:
        model = Household
        fields = ["name", "time_zone", "currency", "plan_by"]
        help_texts = {
            "plan_by": "Every swap is planned for the day by which that share of the modelled "
            "outcomes has reached the limit. The more careful, the more carbon is thrown away "
            "unused."
        }
        labels = {"name": "Name", "plan_by": "How careful to plan"}
