"""Every act that can be logged: what it is called, its form, and the form that corrects it."""

from __future__ import annotations

from dataclasses import dataclass

from .log_base import LogForm
from .log_flow import BucketTestForm, PressureForm, RestrictorForm, ShutOffForm, TurnOnForm
from .log_meter import MeterReadingForm
from .log_swap import FittingCorrectionForm, RotationForm, SwapForm
from .log_water import NoteForm, OutletTestForm, SourceTestForm


@dataclass(frozen=True, slots=True)
class Act:
    """One thing a keeper can log. ``kind`` is its word in the address."""

    kind: str
    title: str
    hint: str
    icon: str
    form: type[LogForm]
    correction: type[LogForm] | None = None

    @property
    def caution_first(self) -> bool:
        """Whether the caution is about what is done before anything can be logged."""
        return self.kind in ("swap", "rotation", "restrictor", "pressure")

    @property
    def corrected_with(self) -> type[LogForm]:
        return self.correction or self.form


# In the order in which most keepers need them; the menu puts those used here most in front.
ACTS: dict[str, Act] = {
    act.kind: act
    for act in (
        Act("meter-reading", "Meter reading", "What the meter shows", "gauge", MeterReadingForm),
        Act("outlet-test", "Outlet test", "Chlorine behind a stage", "test-tube", OutletTestForm),
        Act(
            "swap", "Cartridge swap", "One out, another in", "replace", SwapForm,
            FittingCorrectionForm,
        ),
        Act(
            "rotation", "Rotation", "First carbon out, the others forward", "arrow-left-to-line",
            RotationForm,
        ),
        Act("source-test", "Tap test", "Chlorine at the tap", "droplets", SourceTestForm),
        Act("bucket-test", "Bucket test", "So much water in so many seconds", "timer",
            BucketTestForm),
        Act("pressure", "Pressure", "Before and after a stage", "circle-gauge", PressureForm),
        Act("restrictor", "Restrictor change", "What sets the flow", "git-commit-horizontal",
            RestrictorForm),
        Act("shut-off", "Water off", "The water is or was off", "circle-off", ShutOffForm),
        Act("turn-on", "Water on", "The water runs again", "circle-power", TurnOnForm),
        Act("note", "Note", "Anything worth writing down", "notebook-pen", NoteForm),
    )
}  # fmt: skip

# What can be corrected, by the kind of the fact. A rotation is fittings, a turn-on is a shut-off.
CORRECTIONS: dict[str, type[LogForm]] = {
    act.kind: act.corrected_with for act in ACTS.values() if act.kind not in ("rotation", "turn-on")
}
