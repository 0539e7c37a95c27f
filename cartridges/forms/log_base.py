"""What the log forms share: when, remark, repeats, and asking back what is hard to believe."""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar

from django import forms
from django.http import QueryDict
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from cartridges.models import Fact, Fitting, Train
from cartridges.services.beginnings import MOST_BEFORE
from hobbyhydro.households.fields import QuantityField
from hobbyhydro.households.units import QUANTITIES, from_kept, in_words

from .log_fields import MomentField, NumberField, in_clock_words, to_the_minute

MINUTE = dt.timedelta(minutes=1)


def fact_address(fact: Fact, name: str = "fact") -> str:
    """The address of a fact's page, or of one of the things to do with it."""
    return reverse(name, args=[fact.KIND, fact.pk])


class LogForm(forms.Form):
    """A fact as a keeper types it; ``changes`` is what the fact holds once it is clean.

    ``train`` is the train it is about, ``units`` the reader's, ``fact`` the one being corrected.
    After ``is_valid``: ``repeats`` is a fact that says the very same already (nothing is to be
    saved then); ``asks`` is true where a value is hard to believe and the form asks once more.
    """

    MODEL: ClassVar[type[Fact]]
    FACT_FIELDS: ClassVar[tuple[str, ...]] = ()
    SAME: ClassVar[tuple[str, ...]] = ()  # what makes two facts speak of the same thing
    ONE_A_MINUTE: ClassVar[bool] = True  # two of them at one minute would contradict each other
    WITH_THE_TRAIN: ClassVar[bool] = True  # cannot be older than the train
    BEGINS_THE_TRAIN: ClassVar[bool] = False  # one that is older moves the train's start back
    MAIN: ClassVar[str] = ""  # the field that has the keeper's attention
    WHEN: ClassVar[str] = "When"

    at = MomentField(label="When")
    remark = forms.CharField(
        label="Remark",
        max_length=500,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    why = forms.CharField(
        label="Why is it corrected?",
        max_length=200,
        required=False,
        help_text="Such as “misread a digit”. The old entry is kept beside the new one.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    sure = forms.CharField(required=False, widget=forms.HiddenInput())

    def __init__(
        self,
        data: QueryDict | dict[str, Any] | None = None,
        *,
        train: Train,
        units: str,
        fact: Fact | None = None,
        initial: dict[str, Any] | None = None,
    ) -> None:
        self.train = train
        self.units = units
        self.fact = fact
        self.repeats: Fact | None = None
        self.asks = False
        self._doubts: list[tuple[str, str]] = []
        start = {"at": to_the_minute(timezone.now())} if fact is None else self.initial_of(fact)
        super().__init__(data, initial={**start, **(initial or {})})
        self.fields["at"].label = self.WHEN
        if fact is None:
            del self.fields["why"]
            self.moment.widget.attrs["data-now"] = "yes"
        else:
            self.moment.original = fact.at
        for field in self.fields.values():
            if isinstance(field, QuantityField) and not isinstance(field, NumberField):
                field.use_units(units)
        self.build()

    def build(self) -> None:
        """Fit the fields to this train; for the kinds to fill in."""

    @property
    def moment(self) -> MomentField:
        field = self.fields["at"]
        assert isinstance(field, MomentField)
        return field

    def initial_of(self, fact: Fact) -> dict[str, Any]:
        """What the fields show when a fact is corrected."""
        return {name: getattr(fact, name) for name in ("at", "remark", *self.FACT_FIELDS)}

    # Cleaning

    def clean_at(self) -> dt.datetime:
        at: dt.datetime = self.cleaned_data["at"]
        start = to_the_minute(self.train.started_at)
        if self.BEGINS_THE_TRAIN:
            if at < start - MOST_BEFORE:
                raise forms.ValidationError(
                    f"That is more than 30 years before {self.train.name} began "
                    f"({in_clock_words(start)}). Please check the year.",
                    code="absurd",
                )
        elif self.WITH_THE_TRAIN and at < start:
            raise forms.ValidationError(self._before_the_start(), code="before_start")
        return at

    def _before_the_start(self) -> SafeString:
        """Why nothing is older than the first cartridge, and the way to make that one older."""
        since = in_clock_words(self.train.started_at)
        first = Fitting.objects.standing().filter(train=self.train).in_order().first()
        if first is None:
            return format_html(
                "{} has been running since {}, by what is written here. Pick a later time, or fit "
                "the first cartridge earlier.",
                self.train.name,
                since,
            )
        return format_html(
            "{} has been running since {}, by what is written here. Pick a later time; or, if it "
            'ran before, <a href="{}">fit the first cartridge earlier</a> and then log this.',
            self.train.name,
            since,
            fact_address(first, "fact-correct"),
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if not self.errors:
            self._meet_the_others()
        if not self.errors and self.repeats is None:
            self.weigh()
        if not self.errors and self.repeats is None:
            self._ask_back()
        return cleaned

    def weigh(self) -> None:
        """Hold the fields against each other and against what is known; each kind's own.

        Called when every field is clean. Add errors with ``add_error``, and with ``doubt`` what
        is possible but hard to believe.
        """

    def doubt(self, field: str, message: str) -> None:
        """Ask once whether this is right; saved when the keeper says so by sending it again."""
        self._doubts.append((field, message))

    def _ask_back(self) -> None:
        if not self._doubts:
            return
        signature = "|".join(f"{name}={self.data.get(name, '')}" for name, _ in self._doubts)
        if self.cleaned_data.get("sure") == signature:
            return
        for field, message in self._doubts:
            self.add_error(field, f"{message} If it is right, save it anyway.")
        self.asks = True
        self.show("sure", signature)

    def show(self, name: str, value: str) -> None:
        """Put another value into a field of the form that is about to be shown again."""
        data = self.data.copy() if isinstance(self.data, QueryDict) else dict(self.data)
        data[name] = value
        self.data = data

    def _meet_the_others(self) -> None:
        others = self.of_that_minute()
        if self.fact is None:
            self.repeats = next((o for o in others if self.says_the_same(o)), None)
        against = [other for other in others if self.ONE_A_MINUTE and self.disagrees(other)]
        if self.repeats is None and against:
            self.add_error(self.MAIN, self.disagreement(against[0]))

    def disagrees(self, other: Fact) -> bool:
        """Whether a fact of that minute, which says something else, cannot be true beside it."""
        return True

    def of_that_minute(self) -> list[Fact]:
        """Standing facts of the same kind, about the same thing, of the same minute."""
        minute = to_the_minute(self.cleaned_data["at"])
        rows = (
            self.MODEL.rows()
            .standing()
            .filter(
                at__gte=minute,
                at__lt=minute + MINUTE,
                **self.about(),
                **{name: self.cleaned_data[name] for name in self.SAME},
            )
            .order_by("pk")
        )
        return [row for row in rows if self.fact is None or row.pk != self.fact.pk]

    def about(self) -> dict[str, Any]:
        """What the fact belongs to, as fields of the model."""
        return {"train": self.train}

    def says_the_same(self, other: Fact) -> bool:
        return all(
            _equal(getattr(other, name), self.cleaned_data.get(name)) for name in self.FACT_FIELDS
        )

    def disagreement(self, other: Fact) -> SafeString:
        return format_html(
            "At that minute something else is written down already: {}. If that one is wrong, "
            '<a href="{}">correct it</a>; if both are right, give this one another minute.',
            other.summary(units=self.units),
            fact_address(other, "fact-correct"),
        )

    # What comes out

    def changes(self) -> dict[str, Any]:
        """The fields of the fact, clean."""
        names = ("at", "remark", *self.FACT_FIELDS)
        return {name: self.cleaned_data[name] for name in names if name in self.cleaned_data}

    def changed(self) -> dict[str, Any]:
        """Those of them that differ from the fact being corrected."""
        return {
            name: value
            for name, value in self.changes().items()
            if not _equal(getattr(self.fact, name), value)
        }

    def is_changed(self) -> bool:
        """Whether a correction says anything else than the fact it corrects."""
        return bool(self.changed())

    def unsaved(self) -> Fact:
        """The fact itself, not saved yet."""
        return self.MODEL(**self.about(), **self.changes())

    def words(self, value: float | None, quantity: str) -> str:
        """A kept value in the reader's units."""
        return in_words(value, quantity=quantity, units=self.units)

    def flow_for_the_script(self, flows_l_day: dict[str, float | None]) -> dict[str, str]:
        """Flows in the reader's unit as data attributes, for what is shown while typing."""
        reading = QUANTITIES["flow"].reading(self.units)
        shown = {
            f"data-{name}": f"{from_kept(flow, quantity='flow', units=self.units):.10g}"
            for name, flow in flows_l_day.items()
            if flow is not None
        }
        return shown | {
            "data-flow-unit": reading.label,
            "data-flow-decimals": str(reading.decimals),
        }

    # How it is laid out

    def front(self) -> list[forms.BoundField]:
        """The fields that are always before the keeper."""
        return [f for f in self._shown() if f.name not in self.behind()]

    def more(self) -> list[forms.BoundField]:
        """The fields that are folded away until they are asked for."""
        return [f for f in self._shown() if f.name in self.behind()]

    def more_words(self) -> str:
        """What the fold is called."""
        names = {f.name for f in self.more()}
        if names == {"remark"}:
            return "A remark"
        return "Another time, or a remark" if "remark" in names else "Another time"

    def more_is_open(self) -> bool:
        """Whether something in the fold wants to be seen."""
        return self.is_bound and any(f.errors or f.name in self.changed_data for f in self.more())

    def behind(self) -> set[str]:
        """Names of the fields in the fold."""
        return {"at", "remark"} - {self.MAIN} if self.fact is None else set()

    def folded(self) -> set[str]:
        """Names of the fields that are not asked this time."""
        return set()

    def _shown(self) -> list[forms.BoundField]:
        return [f for f in self if not f.is_hidden and f.name not in self.folded()]


def _equal(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, int | float):
        return abs(one - other) <= 1e-6 * max(1.0, abs(one))
    return bool(one == other) or (one in (None, "") and other in (None, ""))
