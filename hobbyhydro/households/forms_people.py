"""Forms about who belongs to a household."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms

from .models import Membership
from .people import GONE, MAY

Role = Membership.Role

ORDER = (Role.KEEPER, Role.VIEWER, Role.OWNER)
ROLES = [(role.value, f"{role.label}: {MAY[role]}") for role in ORDER]


class InviteForm(forms.Form):
    """Whom to invite, and what they may do."""

    email = forms.EmailField(
        label="Their email address",
        max_length=254,  # the longest path of RFC 5321, without its brackets
        error_messages={
            "required": "Where should the invitation go?",
            "invalid": "This is not an email address, such as ann@example.org.",
        },
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )
    role = forms.ChoiceField(
        label="As", choices=ROLES, initial=Role.KEEPER, widget=forms.RadioSelect
    )


class RoleForm(forms.Form):
    """What somebody may do from now on."""

    role = forms.ChoiceField(choices=Role.choices)


if TYPE_CHECKING:  # generic for the type checker alone
    AmongPlaces = forms.ModelChoiceField[Membership]
else:
    AmongPlaces = forms.ModelChoiceField


class MemberField(AmongPlaces):
    """A choice among the people of a household, each with their role."""

    def label_from_instance(self, place: Membership) -> str:
        return f"{place.person} ({place.get_role_display().lower()})"


class HandOverForm(forms.Form):
    """Who owns the household from now on, and what becomes of the one who hands it over."""

    to = MemberField(
        label="Who owns it from now on?",
        queryset=Membership.objects.none(),
        empty_label="Choose somebody",
        error_messages={"required": "Who should it be?"},
    )
    then = forms.ChoiceField(
        label="And you?",
        choices=[
            (Role.KEEPER, f"I stay as a keeper, who {MAY[Role.KEEPER]}"),
            (Role.VIEWER, f"I stay as a viewer, who {MAY[Role.VIEWER]}"),
            (GONE, "I leave the household"),
        ],
        initial=Role.KEEPER,
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, place: Membership, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["to"]
        assert isinstance(field, MemberField)
        others = place.household.memberships.exclude(pk=place.pk)
        field.queryset = others.select_related("person").order_by("since", "pk")
