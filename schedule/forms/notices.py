"""What a person wants to hear, when, and for how long not at all."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.utils import timezone

from schedule.models import NoticeKind, NoticeWishes
from schedule.services.wishes import MOST_LEAD_DAYS, kinds_of

KINDS = {
    NoticeKind.NEARLY_DUE: "what is due within those days",
    NoticeKind.DUE: "what is due today",
    NoticeKind.OVERDUE: "what is overdue, once",
    NoticeKind.ORDER: "when a cartridge has to be ordered",
    NoticeKind.PROBLEM: "what looks wrong, such as tests that do not fit",
    NoticeKind.ALARM: "chlorine above the limit: at once, at any hour",
}
LATE = [(0, "never"), *((n, f"{n} day{'s' if n > 1 else ''}") for n in (1, 2, 3, 5, 7, 14, 30))]
LONGEST_PAUSE = dt.timedelta(days=366)


class WishesForm(forms.Form):
    """Hour, days ahead, kinds, and what others left undone."""

    by_email = forms.BooleanField(label="Send me email about this household", required=False)
    hour = forms.TypedChoiceField(
        label="Each day’s letter at",
        coerce=int,
        choices=[(h, f"{h:02}:00") for h in range(24)],
        help_text="By the household’s clock. No letter comes on a day without news.",
    )
    lead_days = forms.IntegerField(
        label="Days ahead",
        validators=[
            MinValueValidator(0, "This cannot be below zero."),
            MaxValueValidator(MOST_LEAD_DAYS, f"At most {MOST_LEAD_DAYS} days ahead."),
        ],
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        help_text="How long before its day you hear of a swap, an order or a monthly chore. "
        "Chores that come weekly or daily are told on their day.",
    )
    kinds = forms.MultipleChoiceField(
        label="Kinds of news",
        choices=[(str(kind), words) for kind, words in KINDS.items()],
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    escalate_after_days = forms.TypedChoiceField(
        label="Tell me in any case of what has been left undone for",
        coerce=int,
        choices=LATE,
        help_text="Whatever you chose above, so that nothing waits for somebody who is away.",
    )

    @classmethod
    def initial_of(cls, wishes: NoticeWishes) -> dict[str, Any]:
        found = {name: getattr(wishes, name) for name in cls.base_fields}
        found["kinds"] = kinds_of(wishes)
        late = found["escalate_after_days"]
        found["escalate_after_days"] = min(dict(LATE), key=lambda n: (abs(n - late), n))
        return found


class PauseForm(forms.Form):
    """The day on which mail begins again."""

    until = forms.DateField(
        label="No mail until",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="From that day on you hear of what still stands, in one letter.",
    )

    def clean_until(self) -> dt.date:
        until: dt.date = self.cleaned_data["until"]
        today = timezone.localdate()
        if until <= today:
            raise ValidationError("Choose a day after today.")
        if until - today > LONGEST_PAUSE:
            raise ValidationError(
                "That is more than a year away. To hear nothing at all, switch email off above."
            )
        return until
