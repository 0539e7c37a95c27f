"""Tests of the water, behind a stage and at the tap; and notes."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.db.models import Q

from cartridges.models import Fact, Note, OutletTest, SourceReading, Train
from hobbyhydro.households.fields import QuantityField

from .log_base import LogForm
from .log_fields import NumberField
from .log_flow import StageField

BELOW = re.compile(r"\s*(?:<|＜|≤|(?:below|under|less\s+than)\b)\s*(?P<figure>\S.*)", re.I)


class OutletTestForm(LogForm):
    MODEL = OutletTest
    MAIN = "value_mg_l"
    FACT_FIELDS = ("stage", "species", "value_mg_l", "below", "kit")
    SAME = ("stage", "species", "kit")

    stage = StageField(
        label="Behind which stage?",
        empty_label=None,
        error_messages={"required": "Behind which stage was the water taken?"},
    )
    species = forms.ChoiceField(
        label="Tested for", choices=OutletTest.Species.choices, widget=forms.RadioSelect()
    )
    value_mg_l = QuantityField(label="Reading", quantity="chlorine")
    below = forms.BooleanField(
        label="Below that: the kit showed nothing",
        required=False,
        help_text="Then the reading is the smallest that the kit can show, such as 0.1.",
    )
    kit = forms.ChoiceField(label="Kit", choices=OutletTest.Kit.choices, widget=forms.RadioSelect())
    field_order = ["stage", "value_mg_l", "below", "species", "kit", "at", "remark", "why"]

    def build(self) -> None:
        self._understand_below()
        stages = self.train.stages.filter(retired_at__isnull=True)
        field = self.fields["stage"]
        assert isinstance(field, StageField)
        here = list(stages)
        field.words = lambda stage: (
            f"{stage} (towards the tanks)" if here and stage == here[-1] else str(stage)
        )
        if self.fact is not None:
            field.queryset = stages | self.train.stages.filter(pk=self.initial["stage"])
            return
        field.queryset = stages
        last = OutletTest.objects.standing().filter(train=self.train).in_order().last()
        usual = {
            "species": last.species if last else OutletTest.Species.TOTAL,
            "kit": last.kit if last else OutletTest.Kit.DROPS,
        }
        for name, value in usual.items():
            self.initial.setdefault(name, value)
        carbons = [stage for stage in here if stage.is_carbon]
        if len(carbons) == 1:
            self.initial.setdefault("stage", carbons[0].pk)
        elif carbons and self.train.policy == Train.Policy.LEAD_LAG:
            self.initial.setdefault("stage", carbons[0].pk)
            field.help_text = (
                f"Between the carbons, behind stage {carbons[0].position}: that is where "
                "break-through shows first."
            )

    def _understand_below(self) -> None:
        """“<0.1” and “below 0.1” are what a kit that shows nothing says."""
        found = BELOW.fullmatch(str(self.data.get("value_mg_l") or "")) if self.is_bound else None
        if found:
            self.show("value_mg_l", found["figure"])
            self.show("below", "on")

    def initial_of(self, fact: Fact) -> dict[str, Any]:
        assert isinstance(fact, OutletTest)
        return super().initial_of(fact) | {"stage": fact.stage_id}

    def weigh(self) -> None:
        value, below = self.cleaned_data["value_mg_l"], self.cleaned_data["below"]
        if value == 0:
            self.add_error(
                "value_mg_l",
                "A kit cannot tell nothing from very little. Write the smallest that it can show, "
                "and tick “below that”.",
            )
            return
        if below:
            return
        self._weigh_other_species(value)
        tap = (
            SourceReading.objects.standing()
            .filter(source=self.train.source, at__lte=self.cleaned_data["at"])
            .filter(Q(total_mg_l__isnull=False) | Q(free_mg_l__isnull=False))
            .in_order()
            .last()
        )
        most = max(tap.total_mg_l or 0.0, tap.free_mg_l or 0.0) if tap is not None else 0.0
        if most and value > 1.5 * most:
            self.doubt(
                "value_mg_l",
                f"That is more than the tap’s own {self.words(most, 'chlorine')}. Is this right?",
            )

    def _weigh_other_species(self, value: float) -> None:
        """Total chlorine is free and combined together, so it cannot be below the free alone."""
        species = self.cleaned_data["species"]
        other = self._other_species(species)
        if other is None or other.below:
            return
        free, total = (value, other.value_mg_l) if species == "free" else (other.value_mg_l, value)
        if total < free:
            self.add_error(
                "value_mg_l",
                f"Total chlorine ({self.words(total, 'chlorine')}) cannot be below free chlorine "
                f"({self.words(free, 'chlorine')}): it contains it. Please check both.",
            )

    def _other_species(self, species: str) -> OutletTest | None:
        same = self.cleaned_data | {"species": "total" if species == "free" else "free"}
        kept, self.cleaned_data = self.cleaned_data, same
        rows = self.of_that_minute()
        self.cleaned_data = kept
        found = rows[0] if rows else None
        return found if isinstance(found, OutletTest) else None


class SourceTestForm(LogForm):
    MODEL = SourceReading
    MAIN = "total_mg_l"
    MEASURED = ("total_mg_l", "free_mg_l", "temperature_c", "ph", "turbidity_ntu")
    FACT_FIELDS = (*MEASURED, "origin")
    SAME = ("origin",)
    WITH_THE_TRAIN = False

    total_mg_l = QuantityField(label="Total chlorine", quantity="chlorine", required=False)
    free_mg_l = QuantityField(label="Free chlorine", quantity="chlorine", required=False)
    temperature_c = QuantityField(label="Temperature", quantity="temperature", required=False)
    ph = NumberField(label="pH", unit_text="pH", most=14.0, required=False)
    turbidity_ntu = QuantityField(label="Turbidity", quantity="turbidity", required=False)
    origin = forms.ChoiceField(
        label="From",
        choices=[
            (origin.value, origin.label)
            for origin in (SourceReading.Origin.OWN, SourceReading.Origin.UTILITY)
        ],
        initial=SourceReading.Origin.OWN,
        widget=forms.RadioSelect(),
    )
    field_order = [
        "total_mg_l", "free_mg_l", "temperature_c", "ph", "turbidity_ntu", "origin", "at"
    ]  # fmt: skip

    def about(self) -> dict[str, Any]:
        return {"source": self.train.source}

    def of_that_minute(self) -> list[Fact]:
        """Tests of that minute that measured something this one measured too."""
        return [
            row
            for row in super().of_that_minute()
            if any(
                getattr(row, name) is not None and self.cleaned_data[name] is not None
                for name in self.MEASURED
            )
        ]

    def clean(self) -> dict[str, Any]:
        if not self.errors and all(self.cleaned_data.get(n) is None for n in self.MEASURED):
            self.add_error("total_mg_l", "Please fill in at least one of the figures.")
        return super().clean()

    def weigh(self) -> None:
        """Free and total noted one after the other for one minute are one test of that water."""
        typed = "free_mg_l" if self.cleaned_data["total_mg_l"] is None else "total_mg_l"
        found = {name: self.cleaned_data[name] for name in ("free_mg_l", "total_mg_l")}
        for other in super().of_that_minute():
            found = {
                name: getattr(other, name) if value is None else value
                for name, value in found.items()
            }
        free, total = found["free_mg_l"], found["total_mg_l"]
        if free is not None and total is not None and total < free:
            both = (
                self.cleaned_data["free_mg_l"] == free and self.cleaned_data["total_mg_l"] == total
            )
            self.add_error(
                "total_mg_l" if both else typed,
                f"Total chlorine ({self.words(total, 'chlorine')}) cannot be below free chlorine "
                f"({self.words(free, 'chlorine')}): it contains it. Please check both.",
            )


class NoteForm(LogForm):
    MODEL = Note
    MAIN = "text"
    FACT_FIELDS = ("text",)
    SAME = ("text",)

    text = forms.CharField(label="Note", max_length=2000, widget=forms.Textarea(attrs={"rows": 4}))
    field_order = ["text", "at", "why"]

    def build(self) -> None:
        del self.fields["remark"]
