"""A meter reading: one field and a button, and questions only where the dial went backwards."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils.html import format_html
from django.utils.safestring import SafeString

from cartridges.models import Fact, Meter, MeterReading
from cartridges.services import meters
from cartridges.services.meters import Mark, NewMeter

from .log_base import LogForm, fact_address
from .log_fields import MomentField, NumberField, in_clock_words, to_the_minute

MOST_ON_A_DIAL = 99_999_999.0
ROLLED, REPLACED, TYPO = "rolled", "replaced", "typo"
HAPPENED = [
    (ROLLED, "The dial went past its highest number and started again from zero"),
    (REPLACED, "The meter was replaced"),
    (TYPO, "It was a typo"),
]


class MeterReadingForm(LogForm):
    """``reading`` is the number on the face of the meter that was in place at that time."""

    MODEL = MeterReading
    MAIN = "reading"

    reading = NumberField(label="What the meter shows", unit_text="", most=MOST_ON_A_DIAL)
    unit = forms.ChoiceField(label="The meter counts in", choices=Meter.Unit.choices)
    fell = forms.ChoiceField(
        label="What happened?", choices=HAPPENED, required=False, widget=forms.RadioSelect()
    )
    rolls_over_at = NumberField(
        label="It starts again from zero after",
        unit_text="",
        most=10 * MOST_ON_A_DIAL,
        above_zero=True,
        required=False,
        help_text="A dial of six digits starts again after 1,000,000.",
    )
    new_start = NumberField(
        label="What the new meter read when it was fitted",
        unit_text="",
        most=MOST_ON_A_DIAL,
        required=False,
        help_text="Left empty: zero.",
    )
    fitted_at = MomentField(label="When it was fitted", now_when_empty=False)
    field_order = [
        "reading", "fell", "rolls_over_at", "unit", "new_start", "fitted_at", "at", "remark", "why"
    ]  # fmt: skip

    def build(self) -> None:
        self.meters = meters.meters_of(self.train)
        self.meter = self.meters[-1] if self.meters else None
        if isinstance(self.fact, MeterReading):
            self.meter = self.fact.meter
        self.last: Mark | None = None
        if self.meter is not None:
            self.last = meters.mark_before(self.meter, self._far_ahead(), without=self._own())
            self.fields["unit"].initial = self.meter.unit
        self.new_meter: NewMeter | None = None
        self.rolled_over = False
        self.reading_l = 0.0
        self.turn_l: float | None = None
        self.before: Mark | None = None
        self.flow_l_day: float | None = None
        label = self._unit_text()
        for name in ("reading", "rolls_over_at", "new_start"):
            field = self.fields[name]
            assert isinstance(field, NumberField)
            field.unit_text = label
            field.use_units(self.units)
        self.fields["unit"].required = self.meter is None
        if self.meter is None:
            self.fields["new_start"].label = "What it read when it was fitted"
            self.fields["fitted_at"].help_text = "Left empty: its count begins with this reading."
        else:
            self.fields["fitted_at"].help_text = "Left empty: right after the last reading."
        self._for_the_script()

    def _own(self) -> MeterReading | None:
        return self.fact if isinstance(self.fact, MeterReading) else None

    @staticmethod
    def _far_ahead() -> dt.datetime:
        return dt.datetime(9000, 1, 1, tzinfo=dt.UTC)

    def _unit_text(self) -> str:
        return "" if self.meter is None else self.meter.face(0.0).split("\u00a0")[1]

    def _for_the_script(self) -> None:
        """What static/js/log.js needs to show the implied flow while the number is typed."""
        if self.meter is None or self.last is None or self.fact is not None:
            return
        at = self.initial["at"]
        per_unit = self.meter.litres_per_unit
        expected = meters.expected_flow_l_day(self.train, since=self.last.at, at=at)
        attrs = self.fields["reading"].widget.attrs
        attrs |= self.flow_for_the_script({"flow-per-unit": per_unit, "expected": expected})
        attrs["data-last"] = f"{self.last.reading_l / per_unit:.10g}"
        attrs["data-last-at"] = f"{self.last.at.timestamp():.0f}"
        attrs["data-now"] = f"{at.timestamp():.0f}"

    @property
    def last_face(self) -> str:
        """The last reading as it stands on the meter's face."""
        if self.meter is None or self.last is None:
            return ""
        return self.meter.face(self.last.reading_l)

    def initial_of(self, fact: Fact) -> dict[str, Any]:
        assert isinstance(fact, MeterReading)
        shown = {
            "at": fact.at,
            "remark": fact.remark,
            "reading": round(fact.reading_l / fact.meter.litres_per_unit, 4),
        }
        return shown | ({"fell": ROLLED} if fact.rolled_over else {})

    def folded(self) -> set[str]:
        if self.meter is None:
            return {"fell", "rolls_over_at"}
        if not (self.data.get("fell") or self.initial.get("fell") or self.asked_why):
            return {"fell", "rolls_over_at", "unit", "new_start", "fitted_at"}
        known = {"rolls_over_at"} if self.meter.rolls_over_at_l else set()
        return known | ({"unit", "new_start", "fitted_at"} if self.fact is not None else set())

    asked_why = False

    def says_the_same(self, other: Fact) -> bool:
        assert isinstance(other, MeterReading)
        shown = other.reading_l / other.meter.litres_per_unit
        return bool(abs(shown - self.cleaned_data["reading"]) <= 1e-6 * max(1.0, shown))

    def _meet_the_others(self) -> None:
        """Within one minute a dial may turn on: such a reading is taken a second later."""
        meter = meters.meter_at(self.meters, self.cleaned_data["at"])
        super()._meet_the_others()
        if self.fact is not None or self.repeats is not None or meter is None or self.errors:
            return
        mark = meters.mark_of_minute(meter, self.cleaned_data["at"])
        rise_l = self._rise_l(meter, mark) if mark is not None else 0.0
        if mark is None or rise_l <= 0:
            return
        self.cleaned_data["at"] = mark.at + dt.timedelta(seconds=1)
        if rise_l > meter.litres_per_unit * (1 + 1e-6):
            self.doubt(
                "reading",
                f"In that same minute it read {meter.face(mark.reading_l)}. Is this right?",
            )

    def disagrees(self, other: Fact) -> bool:
        """A dial that fell within a minute, or one that is being corrected."""
        assert isinstance(other, MeterReading)
        mark = Mark(other.at, other.reading_l, other.rolled_over, other)
        return self.fact is not None or self._rise_l(other.meter, mark) <= 0

    def _rise_l(self, meter: Meter, mark: Mark) -> float:
        rise: float = self.cleaned_data["reading"] * meter.litres_per_unit - mark.reading_l
        return rise if abs(rise) > 1e-6 * max(1.0, mark.reading_l) else 0.0

    def weigh(self) -> None:
        at, number = self.cleaned_data["at"], self.cleaned_data["reading"]
        if self.meter is None:
            self._begin(at, number)
            return
        meter = meters.meter_at(self.meters, at)
        if meter is None or (self.fact is not None and meter.pk != self.meter.pk):
            self.add_error("at", self._no_meter_then(meter))
            return
        self.meter = meter
        self.reading_l = number * meter.litres_per_unit
        self.before = meters.mark_before(meter, at, without=self._own())
        after = meters.mark_after(meter, at, without=self._own())
        if meter.rolls_over_at_l is not None and self.reading_l >= meter.rolls_over_at_l:
            top = meter.face(meter.rolls_over_at_l)
            self.add_error("reading", f"This dial starts again from zero at {top}.")
        elif self._is_the_start(meter):
            self._weigh_start(meter, at, after)
        else:
            self._weigh_between(meter, self.before, after, at)
        if not self.errors:
            self._weigh_flow(after, at)

    def _begin(self, at: dt.datetime, number: float) -> None:
        """The very first reading of a train without a meter."""
        per_unit = Meter.LITRES[self.cleaned_data["unit"]]
        self.reading_l = number * per_unit
        fitted_at = self.cleaned_data["fitted_at"]
        if fitted_at is None or fitted_at == at:
            self.new_meter = NewMeter(self.cleaned_data["unit"], at, self.reading_l)
            return
        self._take_new_meter(at, number, fitted_at, earliest=self.train.started_at)
        if not self.errors:
            self._weigh_flow(None, at)

    def _take_new_meter(
        self, at: dt.datetime, number: float, fitted_at: dt.datetime, *, earliest: dt.datetime
    ) -> None:
        start = self.cleaned_data["new_start"] or 0.0
        unit = self.cleaned_data["unit"] or (self.meter.unit if self.meter else "")
        if fitted_at > at:
            self.add_error("fitted_at", "It was fitted later than it was read. Check both times.")
        elif to_the_minute(fitted_at) < to_the_minute(earliest):
            since = in_clock_words(earliest)
            self.add_error("fitted_at", f"It cannot have been there before {since}.")
        elif start > number:
            self.add_error("new_start", "This is more than the meter shows now. Check both.")
        elif fitted_at == at and start != number:
            self.add_error("fitted_at", "At the moment of fitting it shows what it starts with.")
        else:
            per_unit = Meter.LITRES[unit]
            self.reading_l = number * per_unit
            self.new_meter = NewMeter(unit, fitted_at, start * per_unit)
            self.before = Mark(fitted_at, start * per_unit, False, None)

    def _is_the_start(self, meter: Meter) -> bool:
        """Whether the reading being corrected is the one that the meter's count begins with."""
        return self.fact is not None and self.fact.at == meter.fitted_at

    def _weigh_start(self, meter: Meter, at: dt.datetime, after: Mark | None) -> None:
        if at != meter.fitted_at:
            self.add_error(
                "at",
                "The meter’s count begins with this reading, so its time stays. To begin at "
                "another time, undo it and log it again.",
            )
        elif after is not None and not after.rolled_over and self.reading_l > after.reading_l:
            self.add_error("reading", self._above_next(meter, after))

    def _weigh_between(
        self, meter: Meter, before: Mark, after: Mark | None, at: dt.datetime
    ) -> None:
        slack = 1e-6 * max(1.0, before.reading_l)
        fell = self.reading_l < before.reading_l - slack
        if after is not None and not after.rolled_over and self.reading_l > after.reading_l + slack:
            self.add_error("reading", self._above_next(meter, after))
        elif fell and after is not None:
            self.add_error("reading", self._below_previous(meter, before, after))
        elif before.at >= at and abs(self.reading_l - before.reading_l) > slack:
            self.add_error(
                "reading",
                f"The meter was fitted at that moment, reading {meter.face(before.reading_l)}.",
            )
        elif fell:
            self._weigh_fall(meter, before, at)

    def _weigh_fall(self, meter: Meter, before: Mark, at: dt.datetime) -> None:
        self.asked_why = True
        answer = self.cleaned_data["fell"]
        if answer == ROLLED:
            self._roll_over(meter, before)
        elif answer == REPLACED and self.fact is None:
            fitted_at = self.cleaned_data["fitted_at"] or before.at
            self._take_new_meter(at, self.cleaned_data["reading"], fitted_at, earliest=before.at)
        elif answer == TYPO:
            self.add_error("reading", self._typo(before))
        else:
            self.add_error(
                "reading",
                f"That is lower than the {meter.face(before.reading_l)} of "
                f"{in_clock_words(before.at)}. Please say below what happened.",
            )

    def _roll_over(self, meter: Meter, before: Mark) -> None:
        turn = meter.rolls_over_at_l
        if turn is None:
            typed = self.cleaned_data["rolls_over_at"]
            if typed is None:
                self.add_error(
                    "rolls_over_at", "After which number does this dial start again from zero?"
                )
                return
            turn = typed * meter.litres_per_unit
            if turn <= before.reading_l:
                self.add_error(
                    "rolls_over_at",
                    f"It has shown {meter.face(before.reading_l)} already, so this must be more.",
                )
                return
        self.turn_l, self.rolled_over = turn, True

    def _weigh_flow(self, after: Mark | None, at: dt.datetime) -> None:
        """Ask back where the flow before or after this reading is far above the expected."""
        if self.before is None or self._doubts:
            return
        self.flow_l_day = meters.implied_flow_l_day(
            before=self.before, at=at, reading_l=self.reading_l, turn_l=self.turn_l or 0.0
        )
        spans = [(self.before.at, at, self.flow_l_day, "Since {}")]
        if after is not None and self.meter is not None:
            here = Mark(at, self.reading_l, self.rolled_over, None)
            turn = (self.meter.rolls_over_at_l or 0.0) if after.rolled_over else 0.0
            then = meters.implied_flow_l_day(
                before=here, at=after.at, reading_l=after.reading_l, turn_l=turn
            )
            spans.append((at, after.at, then, "From {} to the next reading"))
        for since, until, flow, when in spans:
            expected = meters.expected_flow_l_day(self.train, since=since, at=until)
            if flow is None or expected is None:
                continue
            # A dial is read to a whole unit or so, which is much within a few minutes.
            unsure = meters.mean_flow_l_day(self._one_unit_l(), since=since, until=until)
            if flow - unsure <= meters.IMPLAUSIBLE * expected:
                continue
            self.doubt(
                "reading",
                f"{when.format(in_clock_words(since))} that would be "
                f"{self.words(flow, 'flow')}; about {self.words(expected, 'flow')} is expected. "
                "Is this right?",
            )
            return

    def _one_unit_l(self) -> float:
        return 1.0 if self.meter is None else self.meter.litres_per_unit

    # Messages

    def _no_meter_then(self, meter: Meter | None) -> str:
        if meter is not None:
            return "Another meter was in place at that time. Undo this one and log it there."
        first = self.meters[0]
        return (
            f"The meter was fitted on {in_clock_words(first.fitted_at)}; it cannot have been "
            "read before that."
        )

    def _typo(self, before: Mark) -> SafeString:
        if before.fact is None:
            return format_html("Then please type what the meter shows.")
        return format_html(
            "Then please type here what the meter shows. If the earlier reading was the typo, "
            '<a href="{}">correct that one</a> first.',
            fact_address(before.fact, "fact-correct"),
        )

    def _above_next(self, meter: Meter, after: Mark) -> SafeString:
        assert after.fact is not None
        return format_html(
            "Later, on {}, it read {}. A reading before that cannot be higher. If the later one "
            'is wrong, <a href="{}">correct it</a>.',
            in_clock_words(after.at),
            meter.face(after.reading_l),
            fact_address(after.fact, "fact-correct"),
        )

    def _below_previous(self, meter: Meter, before: Mark, after: Mark) -> SafeString:
        if after.rolled_over:
            return format_html(
                "The dial passed zero between {} and {}. A reading in between is logged as one "
                "from before it did, {} or more; to log one from after it, first undo the later "
                "reading.",
                in_clock_words(before.at),
                in_clock_words(after.at),
                meter.face(before.reading_l),
            )
        correct = fact_address(before.fact, "fact-correct") if before.fact is not None else ""
        more = (
            format_html(' If that one is wrong, <a href="{}">correct it</a>.', correct)
            if correct
            else ""
        )
        return format_html(
            "Before that, on {}, it read {} already. A reading after it cannot be lower.{}",
            in_clock_words(before.at),
            meter.face(before.reading_l),
            more,
        )

    def changes(self) -> dict[str, Any]:
        return {
            "at": self.cleaned_data["at"],
            "remark": self.cleaned_data["remark"],
            "reading_l": self.reading_l,
            "rolled_over": self.rolled_over,
        }
