"""Forms about people and their household."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django import forms

from .models import Household, User

CURRENCIES = ["USD", "CAD", "EUR", "GBP", "AUD", "NZD", "CHF", "SEK", "NOK", "DKK", "JPY", "PLN"]


class SignUpForm(forms.Form):
    """What we ask beside email and password."""

    name = forms.CharField(
        label="What should we call you?",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "given-name"}),
    )
    field_order = ["name", "email", "password1", "password2"]

    def signup(self, request: Any, user: User) -> None:
        user.name = self.cleaned_data["name"]
        user.save(update_fields=["name"])


class PersonForm(forms.ModelForm):
    """How one person wants to be called and to read."""

    class Meta:
        model = User
        fields = ["name", "units", "theme"]
        labels = {"name": "Your name", "units": "Units", "theme": "Colours"}


class HouseholdForm(forms.ModelForm):
    """What the household calls itself, where it is, and what it pays in."""

    time_zone = forms.ChoiceField(
        label="Time zone",
        choices=lambda: [
            (name, name.replace("_", " ")) for name in sorted(zoneinfo.available_timezones())
        ],
    )
    currency = forms.ChoiceField(label="Currency", choices=[(c, c) for c in CURRENCIES])

    class Meta:
        model = Household
        fields = ["name", "time_zone", "currency"]
