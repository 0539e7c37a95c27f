"""Spares on the shelf, and stages of a train that runs."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from cartridges.models import Cartridge, CartridgeSpec, Housing, Kind
from hobbyhydro.households.models import Household

from .log_fields import MomentField
from .setup_base import DayField, UnitsForm, WholeField

MOST_AT_ONCE = 100


class PriceField(forms.DecimalField):
    """What one cartridge cost, in the household's currency."""

    widget = forms.TextInput

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            min_value=0,
            max_value=100_000,
            max_digits=9,
            decimal_places=2,
            required=False,
            error_messages={
                "invalid": "This is not a price. Write it like 24.90.",
                "min_value": "A price cannot be below zero.",
                "max_value": "This looks too large. Is the decimal point where you want it?",
                "max_decimal_places": "No more than two places behind the point.",
                "max_digits": "This looks too large. Is the decimal point where you want it?",
                "max_whole_digits": "This looks too large. Is the decimal point where you want it?",
            },
            **kwargs,
        )
        self.widget.attrs.update(inputmode="decimal", autocomplete="off")

    @property
    def unit_label(self) -> str:
        return str(getattr(self, "currency", ""))

    def to_python(self, value: Any) -> Any:
        text = str(value or "").strip().replace("\u00a0", "")
        if "," in text and "." not in text and len(text.rsplit(",", 1)[1]) != 3:
            text = text.replace(",", ".")  # a decimal comma
        return super().to_python(text.replace(",", "").replace(" ", ""))


class BuyForm(UnitsForm):
    """New cartridges for the shelf."""

    spec = forms.ModelChoiceField(
        label="Which kind?",
        queryset=CartridgeSpec.objects.none(),
        empty_label="Choose…",
        error_messages={"invalid_choice": "This kind is not among yours. Choose another."},
    )
    count = WholeField(label="How many?", least=1.0, most=float(MOST_AT_ONCE), initial=1)
    price = PriceField(label="Price of each", help_text="For the yearly cost.")
    bought_on = DayField(label="Bought on", required=False)

    def __init__(self, *args: Any, household: Household, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["spec"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = CartridgeSpec.objects.open_to(household)
        self.fields["price"].currency = household.currency  # type: ignore[attr-defined]  # ours
        self.fields["bought_on"].initial = timezone.localdate

    @property
    def bought(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("spec", "count", "price", "bought_on")}


class CartridgeForm(UnitsForm):
    """What was paid for one cartridge, and when."""

    price = PriceField(label="Price")
    bought_on = DayField(label="Bought on", required=False)

    def __init__(self, *args: Any, cartridge: Cartridge, **kwargs: Any) -> None:
        initial = {"price": cartridge.price, "bought_on": cartridge.bought_on}
        super().__init__(*args, initial=initial, **kwargs)
        self.fields["price"].currency = cartridge.household.currency  # type: ignore[attr-defined]


class StageForm(UnitsForm):
    """A stage's kind and size; with ``places`` also where it goes."""

    kind = forms.ChoiceField(label="What is in it?", choices=Kind.choices)
    housing = forms.ChoiceField(label="Cartridge size, length × diameter", choices=Housing.choices)
    position = forms.TypedChoiceField(label="Where does it go?", coerce=int)

    def __init__(self, *args: Any, stages: list[Any] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["position"]
        assert isinstance(field, forms.TypedChoiceField)
        if stages is None:
            del self.fields["position"]
            return
        field.choices = [
            (1, "First, before all others" if stages else "First"),
            *(
                (s.position + 1, f"After stage {s.position}, {s.get_kind_display().lower()}")
                for s in stages
            ),
        ]
        field.initial = len(stages) + 1


class RetireForm(UnitsForm):
    """Taking a stage out: when, and what becomes of the cartridge in it."""

    at = MomentField(label="When was it taken out?")
    cartridge = forms.ChoiceField(
        label="What becomes of the cartridge in it?",
        choices=[
            ("throw_away", "It is thrown away"),
            ("keep", "I keep it: it may be fitted again, and its wear is remembered"),
        ],
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, holds: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not holds:
            del self.fields["cartridge"]
