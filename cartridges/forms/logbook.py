"""What to see of the logbook."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms

from cartridges.services import logbook
from hobbyhydro.households.models import User


class LogbookFilter(forms.Form):
    """Kind, person and period; all may be left empty."""

    kind = forms.ChoiceField(
        label="Kind", required=False, choices=[("", "Everything"), *logbook.NAMES.items()]
    )
    by = forms.ChoiceField(label="Logged by", required=False)
    since = forms.DateField(
        label="From", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    until = forms.DateField(
        label="To", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    withdrawn = forms.BooleanField(label="Show what was corrected or undone", required=False)
    by_hand = forms.BooleanField(label="Leave out what came from a file", required=False)
    paper = forms.BooleanField(required=False, widget=forms.HiddenInput())

    def __init__(self, *args: Any, people: list[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.people = {str(person.pk): person for person in people}
        field = self.fields["by"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", "Anybody"), *((pk, str(p)) for pk, p in self.people.items())]

    def clean_by(self) -> User | None:
        return self.people.get(self.cleaned_data["by"])

    def clean_since(self) -> dt.date | None:
        return self._day("since")

    def clean_until(self) -> dt.date | None:
        return self._day("until")

    def _day(self, name: str) -> dt.date | None:
        day: dt.date | None = self.cleaned_data[name]
        if day is not None and not 1900 <= day.year <= 9000:
            raise forms.ValidationError("Please check the year.")
        return day

    def clean(self) -> dict[str, Any]:
        since, until = self.cleaned_data.get("since"), self.cleaned_data.get("until")
        if since and until and until < since:
            self.add_error("until", "The period ends before it begins.")
        return self.cleaned_data
