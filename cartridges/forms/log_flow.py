"""What sets or shows the flow: restrictors, bucket tests, pressures, shut-offs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from django import forms
from django.db.models import Q

from cartridges.models import (
    Fact,
    FlowTest,
    PressureReading,
    RestrictorFitting,
    Shutoff,
    Stage,
)
from cartridges.physics.restrictor import RATED_PRESSURE_KPA
from cartridges.services import meters
from hobbyhydro.households.fields import QuantityField

from .log_base import LogForm
from .log_fields import MomentField, NumberField, in_clock_words, to_the_minute
from .setup_base import shown

FAR_FROM_THE_LAST = 5.0  # a restrictor this many times the last one is asked back


if TYPE_CHECKING:  # generic for the type checker alone
    AmongStages = forms.ModelChoiceField[Stage]
else:
    AmongStages = forms.ModelChoiceField


class StageField(AmongStages):
    """A choice among the stages of one train, in the order of the water."""

    widget = forms.RadioSelect

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(queryset=Stage.objects.none(), **kwargs)
        self.words: Callable[[Stage], str] = str

    def label_from_instance(self, obj: Any) -> str:
        return self.words(obj)


class RestrictorForm(LogForm):
    MODEL = RestrictorFitting
    MAIN = "rated_flow_l_day"
    FACT_FIELDS = ("rated_flow_l_day", "rated_pressure_kpa", "law")
    BEGINS_THE_TRAIN = True
    WHEN = "Fitted"

    rated_flow_l_day = QuantityField(
        label="It lets through",
        quantity="flow",
        above_zero=True,
        help_text="As printed on it. A common one is 50 gal/day (189 L/day).",
    )
    rated_pressure_kpa = QuantityField(
        label="At a pressure of",
        quantity="pressure",
        above_zero=True,
        help_text="Commonly 60 psi (414 kPa) where nothing is printed.",
    )
    law = forms.ChoiceField(
        label="Type", choices=RestrictorFitting.Law.choices, widget=forms.RadioSelect()
    )

    def build(self) -> None:
        rows = RestrictorFitting.objects.standing().filter(train=self.train).in_order()
        self.current = rows.last()
        if self.fact is None:
            last = self.current
            default = RestrictorFitting.Law.CAPILLARY
            self.initial.setdefault("law", last.law if last else default)
            kept = last.rated_pressure_kpa if last else RATED_PRESSURE_KPA
            text = shown(kept, quantity="pressure", units=self.units)
            self.initial.setdefault("rated_pressure_kpa", text)

    def weigh(self) -> None:
        new = self.cleaned_data["rated_flow_l_day"]
        if self.fact is not None or self.current is None:
            return
        old = self.current.rated_flow_l_day
        if not old / FAR_FROM_THE_LAST <= new <= old * FAR_FROM_THE_LAST:
            self.doubt(
                "rated_flow_l_day",
                f"The one before let {self.words(old, 'flow')} through; this would be "
                f"{self.words(new, 'flow')}. Is this right?",
            )


class BucketTestForm(LogForm):
    MODEL = FlowTest
    MAIN = "volume_l"
    FACT_FIELDS = ("volume_l", "duration_s")

    volume_l = QuantityField(
        label="Water caught",
        quantity="cup",
        above_zero=True,
        help_text="At the outlet, the whole train together.",
    )
    duration_s = NumberField(
        label="Time taken",
        unit_text="s",
        most=86_400.0,
        above_zero=True,
        help_text="In seconds: one and a half minutes is 90.",
    )

    def build(self) -> None:
        if self.fact is not None:
            return
        at = self.initial["at"]
        expected = meters.expected_flow_l_day(self.train, since=at, at=at)
        attrs = self.fields["volume_l"].widget.attrs
        one_ml_a_second = meters.SECONDS_A_DAY / 1000.0
        attrs |= self.flow_for_the_script({"ml-per-s": one_ml_a_second, "expected": expected})

    def weigh(self) -> None:
        volume, duration = self.cleaned_data["volume_l"], self.cleaned_data["duration_s"]
        flow = volume / duration * meters.SECONDS_A_DAY
        at = self.cleaned_data["at"]
        expected = meters.expected_flow_l_day(self.train, since=at, at=at)
        if expected is not None and flow > meters.IMPLAUSIBLE * expected:
            self.doubt(
                "volume_l",
                f"That is {self.words(flow, 'flow')}; about {self.words(expected, 'flow')} is "
                "expected. Is this right?",
            )


class PressureForm(LogForm):
    MODEL = PressureReading
    MAIN = "before_kpa"
    FACT_FIELDS = ("stage", "before_kpa", "after_kpa")
    SAME = ("stage",)

    before_kpa = QuantityField(label="Pressure before", quantity="pressure")
    after_kpa = QuantityField(
        label="Pressure after",
        quantity="pressure",
        required=False,
        help_text="Where there is a second gauge.",
    )
    stage = StageField(
        label="Around", required=False, blank=True, empty_label="No stage: the supply alone"
    )

    def build(self) -> None:
        stages = self.train.stages.filter(retired_at__isnull=True)
        if self.fact is not None:
            stages = stages | self.train.stages.filter(pk=self.initial["stage"] or 0)
        field = self.fields["stage"]
        assert isinstance(field, StageField)
        field.queryset = stages

    def initial_of(self, fact: Fact) -> dict[str, Any]:
        assert isinstance(fact, PressureReading)
        return super().initial_of(fact) | {"stage": fact.stage_id}

    def weigh(self) -> None:
        before, after = self.cleaned_data["before_kpa"], self.cleaned_data["after_kpa"]
        if after is None:
            return
        if self.cleaned_data["stage"] is None:
            self.add_error("stage", "After which stage is the second gauge?")
        elif after > before:
            self.doubt("after_kpa", "The pressure after is higher than before. Is this right?")


class ShutOffForm(LogForm):
    MODEL = Shutoff
    MAIN = "at"
    FACT_FIELDS = ("until",)
    ONE_A_MINUTE = False  # overlaps are told more exactly
    WHEN = "Off from"

    until = MomentField(
        label="On again",
        now_when_empty=False,
        help_text="Leave it empty while the water is still off.",
    )
    field_order = ["at", "until", "remark", "why"]

    def build(self) -> None:
        if isinstance(self.fact, Shutoff):
            field = self.fields["until"]
            assert isinstance(field, MomentField)
            field.original = self.fact.until

    def weigh(self) -> None:
        start, end = self.cleaned_data["at"], self.cleaned_data["until"]
        if end is not None and end <= start:
            self.add_error("until", "It came on again before it went off. Please check both.")
            return
        shared = Q(until__isnull=True) | Q(until__gt=start)
        if end is not None:
            shared &= Q(at__lt=end)
        others = Shutoff.rows().standing().filter(shared, train=self.train)
        if self.fact is not None:
            others = others.exclude(pk=self.fact.pk)
        clash = others.in_order().first()
        if clash is None:
            return
        field = "until" if end is None and clash.at > start else "at"
        self.add_error(field, self._overlap(clash))

    def _overlap(self, clash: Shutoff) -> str:
        since = in_clock_words(clash.at)
        if clash.until is None:
            return f"The water is off since {since} already. Log that it is on again first."
        return (
            f"The water was off from {since} to {in_clock_words(clash.until)} already; the two "
            "overlap. Pick other times, or correct that entry."
        )


class TurnOnForm(LogForm):
    """Ends the open shut-off; what is written is that shut-off, corrected with its end."""

    MODEL = Shutoff
    MAIN = "at"
    WHEN = "On again"
    open_one: Shutoff | None = None

    def build(self) -> None:
        del self.fields["remark"]
        self.open_one = (
            Shutoff.objects.standing()
            .filter(train=self.train, until__isnull=True)
            .in_order()
            .last()
        )

    def of_that_minute(self) -> list[Fact]:
        """A shut-off that was ended at that minute already, when none is open."""
        if self.open_one is not None:
            return []
        minute = to_the_minute(self.cleaned_data["at"])
        ended = Shutoff.objects.standing().filter(
            train=self.train, until__gte=minute, until__lt=minute + dt.timedelta(minutes=1)
        )
        return list(ended)

    def weigh(self) -> None:
        if self.open_one is None:
            self.add_error("at", "The water is not off, by what is written here.")
        elif self.cleaned_data["at"] <= self.open_one.at:
            self.add_error(
                "at",
                f"It went off on {in_clock_words(self.open_one.at)}; it cannot have come on "
                "before that.",
            )
