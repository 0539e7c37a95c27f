"""First step of the set-up: the tap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from cartridges.models import Disinfectant, Source, SourceReading
from cartridges.services.setup import first_reading
from cartridges.services.taps import NOT_KNOWN, Water
from hobbyhydro.households import zones
from hobbyhydro.households.fields import QuantityField

from .log_fields import NumberField
from .setup_base import UnitsForm

UNKNOWN = "unknown"
TYPICAL = SourceReading.Origin.TYPICAL
NEW = "new"

# Middle-of-the-road tap water: common practice, no source. Shown, said to be typical, changeable.
TYPICAL_WATER = {
    Disinfectant.CHLORAMINE.value: {"total_mg_l": 2.5, "free_mg_l": 0.1},
    Disinfectant.FREE_CHLORINE.value: {"total_mg_l": 1.1, "free_mg_l": 1.0},
    UNKNOWN: {"total_mg_l": 2.5, "free_mg_l": 0.1},
}
STEADY = ("temperature_c", "ph", "turbidity_ntu")


class WaterForm(UnitsForm):
    """What comes out of the tap. ``water`` is what it amounts to once it is clean.

    ``taps`` are those the household has already; ``zone`` asks for the time zone as well.
    """

    tap = forms.ChoiceField(label="Which tap feeds this train?", widget=forms.RadioSelect)
    disinfectant = forms.ChoiceField(
        label="What does your utility disinfect with?",
        choices=[
            (Disinfectant.CHLORAMINE, "Chloramine"),
            (Disinfectant.FREE_CHLORINE, "Free chlorine"),
            (UNKNOWN, "I don’t know"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one; “I don’t know” is an answer."},
    )
    origin = forms.ChoiceField(
        label="Where do the figures below come from?",
        choices=[
            (TYPICAL, "They are the typical figures, as filled in"),
            (SourceReading.Origin.UTILITY, "The utility’s yearly water report"),
            (SourceReading.Origin.OWN, "My own test of the tap"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Where do the figures come from?"},
    )
    total_mg_l = QuantityField(
        label="Total chlorine",
        quantity="chlorine",
        error_messages={"required": "How much is in the water? The typical figure will do."},
        help_text="All of it, chloramine included. A utility’s report may call it “total chlorine "
        "residual”; a kit reads it with its second reagent.",
    )
    free_mg_l = QuantityField(
        label="Free chlorine",
        quantity="chlorine",
        error_messages={"required": "How much of it is free? The typical figure will do."},
        help_text="Chlorine that is not bound to ammonia: little of it in a chloramine city.",
    )
    temperature_c = QuantityField(
        label="Temperature",
        quantity="temperature",
        error_messages={"required": "How warm is the water? A guess will do."},
        help_text="At the tap, over the year. Cold water passes a capillary more slowly.",
    )
    ph = NumberField(
        label="pH",
        unit_text="pH",
        least=4.0,
        most=11.0,
        error_messages={"required": "The typical figure will do."},
        help_text="Tap water is often kept between 7.5 and 9.",
    )
    turbidity_ntu = QuantityField(
        label="Turbidity",
        quantity="turbidity",
        error_messages={"required": "The typical figure will do."},
        help_text="Cloudiness, from the utility’s report: it fills the sediment cartridge. Clear "
        "tap water has 0.1 to 1.",
    )
    time_zone = forms.ChoiceField(
        label="Where are you?",
        help_text="So that days begin and end when yours do.",
    )

    def __init__(
        self, *args: Any, taps: Sequence[Source] = (), zone: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.taps = {str(tap.pk): tap for tap in taps}
        if taps:
            self._field("tap").choices = [
                *((str(tap.pk), _known(tap)) for tap in taps),
                (NEW, "Another tap"),
            ]
        else:
            del self.fields["tap"]
        if zone:
            kept = self.initial.get("time_zone", "")
            self._field("time_zone").choices = zones.grouped(current=kept)
            self.fields["time_zone"].widget.attrs["data-device-zone-first"] = "true"
        else:
            del self.fields["time_zone"]

    def _field(self, name: str) -> forms.ChoiceField:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        return field

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if self._known_tap is not None:
            for name in set(self.errors) - {"tap", "time_zone"}:
                del self.errors[name]  # nothing is asked of a tap that is known
            return cleaned
        total, free = cleaned.get("total_mg_l"), cleaned.get("free_mg_l")
        if total is not None and free is not None and total < free:
            self.add_error(
                "total_mg_l",
                "Total chlorine includes the free chlorine, so it cannot be the smaller of the "
                "two. Are they the wrong way round?",
            )
        if total == 0:
            self.add_error(
                "total_mg_l",
                "Without chlorine in the tap the carbon would never be spent. If a test read "
                "nothing, take the utility’s figure.",
            )
        return cleaned

    @property
    def _known_tap(self) -> Source | None:
        return self.taps.get(self.cleaned_data.get("tap") or "")

    @property
    def water(self) -> Water:
        """What the form says of the tap."""
        if self._known_tap is not None:
            return Water(source=self._known_tap)
        said = self.cleaned_data
        known = said["disinfectant"] != UNKNOWN
        return Water(
            disinfectant=said["disinfectant"] if known else Disinfectant.CHLORAMINE,
            known=known,
            origin=said["origin"],
            free_mg_l=said["free_mg_l"],
            total_mg_l=said["total_mg_l"],
            temperature_c=said["temperature_c"],
            ph=said["ph"],
            turbidity_ntu=said["turbidity_ntu"],
        )


def _known(tap: Source) -> str:
    """A tap by its name and what hangs on it."""
    fed = ", ".join(train.name for train in tap.trains.all())
    return f"{tap.name}, as it is written down " + (f"(it feeds {fed})" if fed else "(feeds none)")


def initial_of(source: Source | None) -> dict[str, Any]:
    """What the form shows of a tap; typical figures where there is none yet."""
    if source is None:
        blank = Source()
        return {
            "tap": NEW,
            "disinfectant": UNKNOWN,
            "origin": TYPICAL,
            **TYPICAL_WATER[UNKNOWN],
            **{name: getattr(blank, name) for name in STEADY},
        }
    shown: dict[str, Any] = {
        "disinfectant": source.disinfectant,
        **{name: getattr(source, name) for name in STEADY},
    }
    reading = first_reading(source)
    if reading is None:
        return {**shown, "origin": TYPICAL, **TYPICAL_WATER[source.disinfectant]}
    if NOT_KNOWN in reading.remark:
        shown["disinfectant"] = UNKNOWN
    return {
        **shown,
        "origin": reading.origin,
        "total_mg_l": reading.total_mg_l,
        "free_mg_l": reading.free_mg_l,
    }
