"""How a household plans: lead times, what a visit is worth, and its prices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from cartridges.forms.setup_base import UnitsForm, WholeField
from cartridges.models import CartridgeSpec, Train
from hobbyhydro.households.fields import plain_number
from schedule.models import PlanRules

MOST = Decimal(99_999)
M3_PER_KGAL = Decimal("3.785411784")
"""1000 US gal in cubic metres: the US gallon is 231 cubic inches of 25.4 mm (NIST SP 811)."""


class MoneyField(forms.Field):
    """An amount that is not below zero, with the unit behind it; a decimal comma is taken."""

    widget = forms.TextInput

    def __init__(self, *, unit_label: str = "", places: int = 2, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.unit_label = unit_label
        self.places = places
        self.widget.attrs.update(inputmode="decimal", autocomplete="off")

    def to_python(self, value: Any) -> Decimal | None:
        text = str(value or "").strip()
        if not text:
            return None
        try:
            amount = Decimal(plain_number(text))
        except InvalidOperation:
            raise ValidationError(
                f"“{text}” is not an amount. Write it like 24.90.", code="invalid"
            ) from None
        if not math.isfinite(amount):
            raise ValidationError("This needs an ordinary amount.", code="invalid")
        return amount

    def validate(self, value: Decimal | None) -> None:
        super().validate(value)
        if value is None:
            return
        if value < 0:
            raise ValidationError("This cannot be below zero.", code="too_small")
        if value > MOST:
            raise ValidationError(
                "This looks too large. Is the decimal point where you want it?", code="too_large"
            )
        if value != value.quantize(Decimal(1).scaleb(-self.places)):
            raise ValidationError(
                f"No more than {self.places} places behind the point.", code="too_fine"
            )


class RulesForm(UnitsForm):
    """The rules, and a price for each kind in use that was never bought at one.

    Water is priced by the cubic metre, or by 1,000 gallons where the reader counts in gallons.
    """

    lead_days = WholeField(
        label="From order to delivery",
        unit_text="days",
        least=0.0,
        most=365.0,
        help_text="How long a parcel usually takes to reach you.",
    )
    margin_days = WholeField(
        label="To spare",
        unit_text="days",
        least=0.0,
        most=365.0,
        help_text="For a late parcel. An order is due this many days earlier still.",
    )
    visit_cost = MoneyField(
        label="What is one visit less worth to you?",
        help_text="Two swaps that fall close together are made on one visit where the life thrown "
        "away costs less than this. Zero keeps every swap on its own day.",
    )
    water_price = MoneyField(label="Price of water")
    drain_price = MoneyField(
        label="Price of draining it",
        help_text="Many utilities bill sewage by the water used. Zero where it costs nothing.",
    )

    def __init__(
        self,
        *args: Any,
        rules: PlanRules,
        currency: str,
        unpriced: Sequence[CartridgeSpec] = (),
        units: str = "us",
        **kwargs: Any,
    ) -> None:
        self.rules = rules
        self.unpriced = unpriced
        self.by_volume = M3_PER_KGAL if units == "us" else Decimal(1)
        initial = {
            "lead_days": rules.lead_days,
            "margin_days": rules.margin_days,
            "visit_cost": rules.visit_cost,
            "water_price": self._shown(rules.water_price_m3),
            "drain_price": self._shown(rules.drain_price_m3),
        }
        for spec in unpriced:
            initial[price_name(spec)] = rules.expected_prices.get(str(spec.pk), "")
        super().__init__(*args, units=units, initial=initial, **kwargs)
        per = "1,000\u00a0gal" if units == "us" else "m³"
        for name, label in (
            ("visit_cost", currency),
            ("water_price", f"{currency} per {per}"),
            ("drain_price", f"{currency} per {per}"),
        ):
            field = self.fields[name]
            assert isinstance(field, MoneyField)
            field.unit_label = label
            field.places = 2 if name == "visit_cost" or units == "us" else 3
        for spec in unpriced:
            self.fields[price_name(spec)] = MoneyField(
                label=spec.name, unit_label=currency, required=False
            )

    @property
    def price_fields(self) -> list[forms.BoundField]:
        """The boxes for what each kind would cost."""
        return [self[price_name(spec)] for spec in self.unpriced]

    def _shown(self, price_m3: Decimal) -> Decimal:
        """The price as the reader pays it."""
        places = Decimal("0.01") if self.by_volume != 1 else Decimal("0.001")
        shown = (price_m3 * self.by_volume).quantize(places, ROUND_HALF_UP)
        return (
            shown.quantize(Decimal("0.01")) if shown == shown.quantize(Decimal("0.01")) else shown
        )

    def _kept(self, name: str, before: Decimal) -> Decimal:
        """By the cubic metre; a box left as it was keeps all its digits."""
        if name not in self.changed_data:
            return before
        per_m3: Decimal = self.cleaned_data[name] / self.by_volume
        return per_m3.quantize(Decimal("0.001"), ROUND_HALF_UP)

    @property
    def values(self) -> dict[str, Any]:
        """Fields of PlanRules, once the form is clean."""
        cleaned = self.cleaned_data
        expected = dict(self.rules.expected_prices)
        for spec in self.unpriced:
            price = cleaned[price_name(spec)]
            expected.pop(str(spec.pk), None)
            if price is not None:
                expected[str(spec.pk)] = str(price)
        return {
            "lead_days": cleaned["lead_days"],
            "margin_days": cleaned["margin_days"],
            "visit_cost": cleaned["visit_cost"],
            "water_price_m3": self._kept("water_price", self.rules.water_price_m3),
            "drain_price_m3": self._kept("drain_price", self.rules.drain_price_m3),
            "expected_prices": expected,
        }


def price_name(spec: CartridgeSpec) -> str:
    """The box for what a kind would cost."""
    return f"price_{spec.pk}"


class PolicyForm(forms.Form):
    """Which way a train is looked after."""

    policy = forms.ChoiceField(choices=Train.Policy.choices)
