"""Forms about people and their household."""

from __future__ import annotations

import zoneinfo
from typing import Any

from allauth.account.adapter import get_adapter
from django import forms
from django.contrib import messages

from . import access, invitations
from .invitations import InvitationGone
from .models import Household, Invitation, User

CURRENCIES = ["USD", "CAD", "EUR", "GBP", "AUD", "NZD", "CHF", "SEK", "NOK", "DKK", "JPY", "PLN"]


GONE_MEANWHILE = (
    "The invitation was used, taken back or has run out in the meantime. You can sign up all the "
    "same, for a household of your own."
)


class SignUpForm(forms.Form):
    """What we ask beside email and password, and the household that comes of it: the one that the
    person was invited to, else one of their own."""

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
    invitation = forms.CharField(required=False, widget=forms.HiddenInput())
    field_order = ["name", "email", "password1", "password2", "units"]
    invited: Invitation | None = None

    def clean_device_zone(self) -> str:
        """The device's time zone where it is one we know; nobody typed it, so nobody is told."""
        zone: str = self.cleaned_data["device_zone"]
        return zone if zone in zoneinfo.available_timezones() else "UTC"

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        secret = cleaned.get("invitation")
        if not secret:
            return cleaned
        found = invitations.find(secret)
        if found is None or invitations.state_of(found) is not invitations.State.OPEN:
            # Sent once more, it is left out.
            self.data = dict(self.data.items()) | {"invitation": ""}
            self.add_error(None, GONE_MEANWHILE)
        elif cleaned.get("email") and cleaned["email"].lower() != found.email.lower():
            self.add_error(
                "email",
                f"The invitation went to {found.email}. Sign up with that address, or ask for an "
                "invitation to this one.",
            )
        else:
            self.invited = found
        return cleaned

    def signup(self, request: Any, user: User) -> None:
        user.name = self.cleaned_data["name"]
        user.units = self.cleaned_data["units"] or User.Units.US
        user.save(update_fields=["name", "units"])
        if not (self.invited and self._join(request, user, self.invited)):
            Household.found(owner=user, time_zone=self.cleaned_data["device_zone"])

    @staticmethod
    def _join(request: Any, user: User, invited: Invitation) -> bool:
        """Take the place that was offered. Who holds the secret reads the mail of that address,
        so that it needs no second proof."""
        get_adapter().stash_verified_email(request, invited.email)
        try:
            place, _ = invitations.accept(invited, person=user)
        except InvitationGone:
            messages.warning(request, "The invitation was used or taken back in the meantime.")
            return False
        request.session[access.SESSION_KEY] = place.household_id
        messages.success(request, f"You belong to {place.household} now.")
        return True


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


class FoundForm(HouseholdForm):
    """A further household; how careful to plan is chosen once there is a train."""

    class Meta(HouseholdForm.Meta):
        fields = ["name", "time_zone", "currency"]
        help_texts = {"name": "Such as the street, or whose tanks they are."}
