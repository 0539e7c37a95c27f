"""The train itself, in the set-up and later in its settings."""

from __future__ import annotations

from typing import Any

from django import forms

from cartridges.models import Train
from cartridges.physics.units import KPA_PER_PSI
from hobbyhydro.households.fields import QuantityField

from .setup_base import UnitsForm

DRIP = "drip"
VALVE = "valve"
# A small float valve passes 0.75 US gal/min: common practice, no source.
# 60 psi or 410 kPa of supply, 10 psi or 70 kPa of drop: common practice, no source.
ROUND_KPA = {
    "supply_pressure_kpa": {"us": 60.0 * KPA_PER_PSI, "metric": 410.0},
    "resistance_limit_kpa": {"us": 10.0 * KPA_PER_PSI, "metric": 70.0},
}
HARMFUL_MG_L = 0.5  # a safe limit above this is asked back once
TYPICAL_OPEN_L_DAY = 0.75 * 1440.0 * 3.785411784


class TrainForm(UnitsForm):
    """How the train is fed and looked after. ``values`` are fields of Train once it is clean."""

    name = forms.CharField(
        label="What do you call this train?",
        max_length=80,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    supply_pressure_kpa = QuantityField(
        label="Water pressure before the train",
        quantity="pressure",
        above_zero=True,
        help_text="A gauge on a garden tap shows it. Most homes have 40 to 80 psi (280 to 550 "
        "kPa); behind a pressure regulator, what it is set to.",
    )
    limit_mg_l = QuantityField(
        label="Safe limit for total chlorine",
        quantity="chlorine",
        above_zero=True,
        most=4.0,
        help_text="A cartridge counts as spent when the water behind it reaches this. 0.1 is the "
        "least that most kits can show; what is printed on a cartridge may allow 1.0, which is "
        "about taste, not about animals.",
    )
    policy = forms.ChoiceField(
        label="When the carbon is spent",
        choices=Train.Policy.choices,
        widget=forms.RadioSelect,
    )
    duty = forms.ChoiceField(
        label="How does the water run?",
        choices=[(DRIP, "A steady drip, day and night"), (VALVE, "In bursts, by a float valve")],
        widget=forms.RadioSelect,
    )
    on_flow_l_day = QuantityField(
        label="Flow while the valve is open",
        quantity="rated_flow",
        above_zero=True,
        error_messages={"required": "How fast does it run while the valve is open?"},
        help_text="Fast bursts leave the carbon less time than a drip of the same daily volume.",
    )
    sure = forms.CharField(required=False, widget=forms.HiddenInput())

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        self._ask_back(cleaned)
        if cleaned.get("duty") == DRIP:
            self.errors.pop("on_flow_l_day", None)  # hidden, and not asked of a drip
            cleaned["on_flow_l_day"] = None
        return cleaned

    def _ask_back(self, cleaned: dict[str, Any]) -> None:
        """Ask once whether a limit far above what fish bear is meant."""
        limit, typed = cleaned.get("limit_mg_l"), str(self.data.get("limit_mg_l", ""))
        known = self.known.get("limit_mg_l")
        if limit is None or limit <= HARMFUL_MG_L or limit == known or cleaned["sure"] == typed:
            return
        # 11 µg/L: Ambient Water Quality Criteria for Chlorine, US EPA 440/5-84-030 (1984).
        self.add_error(
            "limit_mg_l",
            "Fish gills are harmed far below this. The US chronic limit for freshwater life is "
            "0.011 mg/L (US EPA 1984). Keep it anyway? Then send it once more.",
        )
        asked_again: Any = self.data.copy()  # type: ignore[attr-defined]  # a QueryDict
        asked_again["sure"] = typed
        self.data = asked_again

    @property
    def values(self) -> dict[str, Any]:
        """Fields of Train."""
        asked = ("duty", "sure")
        return {name: self.cleaned_data[name] for name in self.cleaned_data if name not in asked}


class TrainSettingsForm(TrainForm):
    """The same, with what only a train in service has."""

    resistance_limit_kpa = QuantityField(
        label="Largest pressure drop across a stage",
        quantity="pressure",
        above_zero=True,
        help_text="A sediment cartridge counts as clogged when it takes this much. Common: 10 psi "
        "(70 kPa).",
    )


def initial_of(train: Train, *, units: str = "us") -> dict[str, Any]:
    """What the form shows of a train; a default that nobody chose is a round figure."""
    names = ("name", "supply_pressure_kpa", "limit_mg_l", "policy", "resistance_limit_kpa")
    shown: dict[str, Any] = {name: getattr(train, name) for name in names}
    for name, round_kpa in ROUND_KPA.items():
        if shown[name] == getattr(Train(), name):
            shown[name] = round_kpa[units]
    return {
        **shown,
        "duty": DRIP if train.on_flow_l_day is None else VALVE,
        "on_flow_l_day": train.on_flow_l_day or TYPICAL_OPEN_L_DAY,
    }
