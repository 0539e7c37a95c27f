"""A number of the keeper's own, in the place of one that the model would assume."""

from __future__ import annotations

from typing import Any

from django import forms

from cartridges.models import OwnFigure
from hobbyhydro.households.fields import QuantityField

Figure = OwnFigure.Figure

# Bounds in the kept unit: wide, and only there to catch a slipped digit (our own judgement).
QUANTITY_BOUNDS: dict[str, tuple[str, float]] = {
    Figure.CAPACITY: ("capacity", 1e8),
    Figure.DIRT: ("dirt", 1e5),
    Figure.BED_VOLUME: ("bed_volume", 500.0),
}
PLAIN_BOUNDS: dict[str, tuple[float, float, str]] = {
    Figure.RATE_FREE: (1e-6, 1e3, "L/(mg·day)"),
    Figure.RATE_COMBINED: (1e-6, 1e3, "L/(mg·day)"),
    Figure.FLOW_EXPONENT: (0.0, 0.5, ""),
    Figure.AGEING: (0.0, 0.1, "per day"),
    Figure.SOLIDS: (0.05, 20.0, "mg/L per NTU"),
    Figure.CALENDAR: (1.0, 3650.0, "days"),
}


class PlainField(forms.FloatField):
    """A number whose unit belongs to no system; bounds are named in the message."""

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def __init__(self, *, least: float, most: float, unit: str, **kwargs: Any) -> None:
        self.unit_label = unit
        super().__init__(
            min_value=least,
            max_value=most,
            error_messages={
                "invalid": "This needs an ordinary number, such as 0.25.",
                "min_value": f"This must be at least {least:g}.",
                "max_value": f"This looks too large: at most {most:g} makes sense here.",
            },
            **kwargs,
        )


class OwnFigureForm(forms.Form):
    """One number for one figure, and where it comes from."""

    def __init__(
        self,
        data: Any = None,
        *,
        figure: str,
        units: str,
        initial: dict[str, Any] | None = None,
    ) -> None:
        super().__init__(data, auto_id=f"id_{figure}_%s", initial=initial)
        label = "Your own figure"
        if figure in QUANTITY_BOUNDS:
            quantity, most = QUANTITY_BOUNDS[figure]
            self.fields["value"] = QuantityField(
                label=label, quantity=quantity, units=units, most=most, above_zero=True
            )
        else:
            least, most, unit = PLAIN_BOUNDS[figure]
            self.fields["value"] = PlainField(label=label, least=least, most=most, unit=unit)
        self.fields["remark"] = forms.CharField(
            label="Where it comes from",
            required=False,
            max_length=500,
            widget=forms.TextInput(attrs={"autocomplete": "off"}),
        )
