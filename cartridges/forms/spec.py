"""What a package says, as a keeper reads it off."""

from __future__ import annotations

from typing import Any

from django import forms

from cartridges.models import CartridgeSpec, Housing, Kind
from cartridges.services import specs
from hobbyhydro.households.fields import QuantityField
from hobbyhydro.households.units import unit_label

from .log_fields import NumberField
from .setup_base import DAYS_PER_MONTH, UnitsForm

STATED = ("free_volume_l", "free_flow_l_day", "chloramine_volume_l", "chloramine_flow_l_day")
SIZES = ("outer_mm", "inner_mm", "length_mm")
SYSTEMS = ("us", "metric")


def percent(label: str, **kwargs: Any) -> NumberField:
    return NumberField(label=label, unit_text="%", per_unit=0.01, least=0.0, most=100.0, **kwargs)


def unit_of(name: str) -> str:
    """The name of the field that says in which unit a figure of the package is."""
    return f"{name}_in"


class SpecForm(UnitsForm):
    """One kind of cartridge. ``values`` are the fields of CartridgeSpec once it is clean.

    Volume and flow of a claim stand in the package's own unit, chosen beside the number. With
    ``kind`` and ``housing`` given (in the set-up, where the stage has both) they are not asked.
    """

    name = forms.CharField(
        label="What do you call it?",
        max_length=120,
        help_text="Words you will know it by on the shelf.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    kind = forms.ChoiceField(label="Kind", choices=Kind.choices)
    housing = forms.ChoiceField(label="Size", choices=Housing.choices)
    micron = NumberField(
        label="Rating",
        unit_text="µm",
        above_zero=True,
        most=1000.0,
        required=False,
        help_text="The finest dirt it holds back, in micrometres.",
    )

    free_volume_l = QuantityField(
        label="Rated volume for free chlorine", quantity="volume", above_zero=True, required=False
    )
    free_flow_l_day = QuantityField(
        label="At a flow of", quantity="rated_flow", above_zero=True, required=False
    )
    free_inlet_mg_l = QuantityField(
        label="Chlorine in the test water", quantity="chlorine", above_zero=True, required=False
    )
    free_reduction_new = percent("Takes out when new", required=False)
    free_reduction_end = percent("Takes out at the end of that volume", required=False)

    chloramine_volume_l = QuantityField(
        label="Rated volume for chloramine", quantity="volume", above_zero=True, required=False
    )
    chloramine_flow_l_day = QuantityField(
        label="At a flow of", quantity="rated_flow", above_zero=True, required=False
    )
    chloramine_inlet_mg_l = QuantityField(
        label="Chloramine in the test water", quantity="chlorine", above_zero=True, required=False
    )
    chloramine_reduction_new = percent("Takes out when new", required=False)
    chloramine_reduction_end = percent("Takes out at the end of that volume", required=False)

    bed_volume_l = QuantityField(
        label="Volume of carbon",
        quantity="bed_volume",
        above_zero=True,
        required=False,
        help_text="Gives the contact time. If the package does not say, clear this and measure "
        "the cartridge instead.",
    )
    outer_mm = QuantityField(
        label="Outer diameter", quantity="size", above_zero=True, required=False
    )
    inner_mm = QuantityField(
        label="Inner diameter",
        quantity="size",
        required=False,
        help_text="Of the hollow core; 0 for a solid bed.",
    )
    length_mm = QuantityField(label="Length", quantity="size", above_zero=True, required=False)

    calendar_months = NumberField(
        label="Replace after at most",
        unit_text="months",
        above_zero=True,
        most=240.0,
        required=False,
        help_text="However little water has passed.",
    )
    dirt_capacity_g = QuantityField(
        label="Dirt it can hold",
        quantity="dirt",
        above_zero=True,
        required=False,
        help_text="Seldom on the package. The typical figure is a fair start.",
    )
    flush_volume_l = QuantityField(
        label="Flush to waste when new",
        quantity="volume",
        most=5_000.0,
        required=False,
        help_text="Carbon sheds fine dust at first.",
    )

    def __init__(
        self,
        *args: Any,
        units: str = "us",
        like: CartridgeSpec | None = None,
        kind: str = "",
        housing: str = "",
        **kwargs: Any,
    ) -> None:
        self.fixed = {"kind": kind, "housing": housing} if kind else {}
        shown = initial_of(like) if like is not None else {}
        kwargs["initial"] = {**TYPICAL, **shown, **self.fixed, **(kwargs.get("initial") or {})}
        super().__init__(*args, units=units, **kwargs)
        for name in self.fixed:
            del self.fields[name]
        for name in STATED:
            self._offer_units(name)

    def _offer_units(self, name: str) -> None:
        """A choice of units beside a figure of the package, and the figure read in it."""
        field = self.fields[name]
        assert isinstance(field, QuantityField)
        choices = [(s, unit_label(field.quantity, units=s)) for s in SYSTEMS]
        self.fields[unit_of(name)] = forms.ChoiceField(
            label=f"Unit of {str(field.label).lower()}",
            choices=choices,
            initial=self.units,
            required=False,
        )
        chosen = self.data.get(self.add_prefix(unit_of(name))) if self.is_bound else None
        if chosen in SYSTEMS:
            field.use_units(chosen)

    @property
    def claims(self) -> list[dict[str, Any]]:
        """The two claims, for the template to lay out."""
        titles = {"free": "Claim for free chlorine", "chloramine": "Claim for chloramine"}
        return [
            {
                "title": titles[species],
                "volume": self[f"{species}_volume_l"],
                "volume_shown": self._shown(f"{species}_volume_l"),
                "volume_in": self[unit_of(f"{species}_volume_l")],
                "flow": self[f"{species}_flow_l_day"],
                "flow_shown": self._shown(f"{species}_flow_l_day"),
                "flow_in": self[unit_of(f"{species}_flow_l_day")],
                "inlet": self[f"{species}_inlet_mg_l"],
                "new": self[f"{species}_reduction_new"],
                "end": self[f"{species}_reduction_end"],
                "conditions_open": any(
                    self[f"{species}_{part}"].errors
                    for part in ("inlet_mg_l", "reduction_new", "reduction_end")
                ),
            }
            for species in specs.SPECIES
        ]

    def _shown(self, name: str) -> str:
        """What stands in a field: what was typed, or what is known in the unit beside it."""
        value = self[name].value()
        return "" if value is None else str(value)

    @property
    def measured_open(self) -> bool:
        return any(self[name].errors or self[name].value() for name in SIZES)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        self._measure(cleaned)
        if not self.errors:
            for field, words in specs.label_problems(self._figures()):
                self.add_error(field, words)
        return cleaned

    def _measure(self, cleaned: dict[str, Any]) -> None:
        """The bed volume from the cartridge's measures, where the volume itself is not typed."""
        outer, inner, length = (cleaned.get(name) for name in SIZES)
        none_given = outer is None and inner is None and length is None
        if none_given or cleaned.get("bed_volume_l") is not None or set(SIZES) & set(self.errors):
            return
        if outer is None or length is None:
            missing = "outer_mm" if outer is None else "length_mm"
            self.add_error(missing, "Both the outer diameter and the length are needed.")
        elif (inner or 0.0) >= outer:
            self.add_error("inner_mm", "The core must be thinner than the whole cartridge.")
        else:
            cleaned["bed_volume_l"] = specs.bed_between_l(
                outer_mm=outer, inner_mm=inner or 0.0, length_mm=length
            )

    def _figures(self) -> dict[str, Any]:
        """The fields of CartridgeSpec, a missing figure as None."""
        names = {f.name for f in CartridgeSpec._meta.concrete_fields} & set(self.cleaned_data)
        figures = {name: self.cleaned_data[name] for name in names}
        months = self.cleaned_data.get("calendar_months")
        figures["calendar_days"] = months and max(1, round(months * DAYS_PER_MONTH))
        return {**figures, **self.fixed}

    @property
    def values(self) -> dict[str, Any]:
        """The fields of CartridgeSpec; test conditions not stated are the usual ones."""
        figures = self._figures()
        for name, usual in TYPICAL.items():
            if figures.get(name) is None:
                figures[name] = usual
        return figures


TYPICAL: dict[str, Any] = {
    f"{species}_{name}": getattr(CartridgeSpec(), f"{species}_{name}")
    for species in specs.SPECIES
    for name in ("inlet_mg_l", "reduction_new", "reduction_end")
}


def initial_of(spec: CartridgeSpec) -> dict[str, Any]:
    """What the form shows of a kind that is there already."""
    shown = {f.name: getattr(spec, f.name) for f in CartridgeSpec._meta.concrete_fields}
    if spec.calendar_days is not None:
        shown["calendar_months"] = round(spec.calendar_days / DAYS_PER_MONTH, 1)
    return shown


def typical_of(*, kind: str, housing: str) -> dict[str, Any]:
    """Typical figures for a package that is about to be typed in: all but what it claims."""
    nearest = specs.nearest_starter(kind=kind, housing=housing)
    if nearest is None:
        return {}
    shown = initial_of(nearest)
    names = ["calendar_months", "dirt_capacity_g", "micron"]
    if nearest.housing == housing:
        names += ["bed_volume_l", "flush_volume_l"]
    return {name: shown.get(name) for name in names}
