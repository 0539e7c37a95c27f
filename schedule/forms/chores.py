"""Forms of chores: what is to be done and when, and why a turn is skipped or put off."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from crispy_forms.helper import FormHelper
from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_date

from cartridges.forms.log_kinds import ACTS
from cartridges.models import Train
from hobbyhydro.households.models import Household
from schedule.models import Chore
from schedule.services import recurrence

OLDEST = dt.timedelta(days=2 * 366)
FURTHEST = dt.timedelta(days=5 * 366)
LONGEST_PUT_OFF = dt.timedelta(days=366)
NOT_BY_OCCASION = {"swap", "rotation"}
OCCASIONS = [(o.value, o.label) for o in Chore.Occasion if o != Chore.Occasion.INTERVAL]
WHENS = [
    ("By the calendar", [(c, words.capitalize()) for c, words in recurrence.CHOICES]
     + [(recurrence.OWN, "By a rule of my own")]),
    ("As things happen", OCCASIONS),
]  # fmt: skip

if TYPE_CHECKING:  # generic for the type checker alone
    AmongTrains = forms.ModelChoiceField[Train]
else:
    AmongTrains = forms.ModelChoiceField


class CalendarDayField(forms.Field):
    """A day between two bounds around today, which the form sets."""

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


class PlainForm(forms.Form):
    """A form whose page writes the form tag itself."""

    @property
    def helper(self) -> FormHelper:
        helper = FormHelper(self)
        helper.form_tag = False
        helper.disable_csrf = True
        return helper


class ChoreForm(PlainForm):
    """One chore. ``changes`` is what the row holds once the form is clean."""

    title = forms.CharField(
        label="What is to be done",
        max_length=120,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    when = forms.ChoiceField(label="How often", choices=WHENS)
    rule = forms.CharField(
        label="Your own rule",
        max_length=200,
        required=False,
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        ),
        help_text="Only for a rule of your own, as calendars write it (RFC 5545): "
        "FREQ=WEEKLY;BYDAY=MO,TH is every Monday and Thursday, FREQ=MONTHLY;BYDAY=1SA the first "
        "Saturday of each month.",
    )
    start = CalendarDayField(label="Counted from", help_text="The first day it may be due.")
    train = AmongTrains(
        label="Train", queryset=Train.objects.none(), required=False, empty_label="The household"
    )
    log_kind = forms.ChoiceField(
        label="Done by logging",
        required=False,
        choices=[("", "Nothing: it is ticked off"), *((a.kind, a.title) for a in ACTS.values())],
        help_text="If you choose an entry, the chore opens that form, and saving it there "
        "completes the chore.",
    )
    how = forms.CharField(
        label="How it is done",
        max_length=1000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
    )

    def __init__(
        self, *args: Any, household: Household, chore: Chore | None = None, **kwargs: Any
    ) -> None:
        self.today = timezone.localdate()
        self.chore = chore
        kwargs["initial"] = {**self._initial(chore), **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        trains = household.trains.filter(set_up_at__isnull=False)
        field = self.fields["train"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = trains
        self.only_train = trains[0] if len(trains) == 1 else None
        if self.only_train is not None:
            del self.fields["train"]

    def _initial(self, chore: Chore | None) -> dict[str, Any]:
        if chore is None:
            return {"start": self.today, "when": recurrence.EVERY_WEEK}
        shown = {name: getattr(chore, name) for name in ("title", "start", "log_kind", "how")}
        shown |= {"when": chore.occasion, "train": chore.train_id}
        if chore.occasion == Chore.Occasion.INTERVAL:
            shown["when"] = recurrence.choice_of(chore.rule, start=chore.start)
            if shown["when"] == recurrence.OWN:
                shown["rule"] = chore.rule
        return shown

    def clean_title(self) -> str:
        return " ".join(self.cleaned_data["title"].split())

    def clean_start(self) -> dt.date:
        day: dt.date = self.cleaned_data["start"]
        if self.chore is not None and day == self.chore.start:
            return day
        if not self.today - OLDEST <= day <= self.today + FURTHEST:
            raise ValidationError(
                "Please choose a day from two years back to five years ahead.", code="far"
            )
        return day

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        cleaned["train"] = self.only_train or cleaned.get("train")
        when, start = cleaned.get("when", ""), cleaned.get("start")
        by_occasion = when in dict(OCCASIONS)
        cleaned["occasion"] = when if by_occasion else Chore.Occasion.INTERVAL
        if by_occasion:
            cleaned["rule"] = ""
        elif when == recurrence.OWN and start is not None and "rule" in cleaned:
            try:
                cleaned["rule"] = recurrence.check(cleaned["rule"], start=start)
            except recurrence.RuleError as wrong:
                self.add_error("rule", str(wrong))
        elif when and when != recurrence.OWN and start is not None:
            cleaned["rule"] = recurrence.plain_rule(when, start=start)
        log_kind = cleaned.get("log_kind", "")
        if log_kind and cleaned["train"] is None:
            self.add_error("train", "Choose the train in whose log it is written.")
        if when == Chore.Occasion.SWAP and log_kind in NOT_BY_OCCASION:
            self.add_error("log_kind", "The swap is logged already when this comes up.")
        return cleaned

    def changes(self) -> dict[str, Any]:
        """The fields of the chore, clean."""
        names = ("title", "how", "occasion", "rule", "start", "log_kind", "train")
        return {name: self.cleaned_data[name] for name in names}


def _why(example: str) -> forms.CharField:
    return forms.CharField(
        label="Why",
        max_length=200,
        widget=forms.TextInput(attrs={"autocomplete": "off", "placeholder": example}),
    )


class SkipForm(PlainForm):
    """Why a turn is left out."""

    reason = _why("such as: away this week")


class PutOffForm(PlainForm):
    """To which day a turn is put off, and why."""

    to = CalendarDayField(label="To")
    reason = _why("such as: waiting for the kit")

    def clean_to(self) -> dt.date:
        day: dt.date = self.cleaned_data["to"]
        today = timezone.localdate()
        if day <= today:
            raise ValidationError("Choose a day that is still to come.", code="past")
        if day > today + LONGEST_PUT_OFF:
            raise ValidationError("A year is the longest it can be put off.", code="far")
        return day
