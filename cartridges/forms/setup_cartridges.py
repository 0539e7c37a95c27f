"""A cartridge in each stage, and since when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils import timezone

from cartridges.models import Housing, Kind, Stage
from cartridges.services import specs
from cartridges.services.placements import Stay
from cartridges.services.setup import Holding
from hobbyhydro.households.models import Household

from .setup_base import DAYS_PER_MONTH, DayField, UnitsForm, moment_on
from .spec import SpecForm, typical_of

OWN = "own"
TODAY = "today"
ON_DAY = "day"
ABOUT = "about"
MONTHS = (1, 2, 3, 4, 6, 9, 12, 18, 24)


def about(months: int) -> str:
    """The remark on a fitting whose date is from memory."""
    return f"About {months} month{'' if months == 1 else 's'} before the set-up, from memory."


class CartridgeForm(UnitsForm):
    """What one stage holds: one of ``offers``, or what the keeper's own package says."""

    spec = forms.ChoiceField(label="Which cartridge is in it?", widget=forms.RadioSelect)
    since = forms.ChoiceField(
        label="When was it fitted?",
        choices=[
            (TODAY, "Today: it is new"),
            (ON_DAY, "On this day"),
            (ABOUT, "I don’t remember exactly"),
        ],
        widget=forms.RadioSelect,
    )
    day = DayField(label="Day", error_messages={"required": "On which day?"})
    months = forms.TypedChoiceField(
        label="How long ago, about?",
        choices=[(m, f"{m} month{'' if m == 1 else 's'} ago") for m in MONTHS],
        coerce=int,
        error_messages={"required": "A guess will do."},
        initial=3,
    )

    def __init__(
        self,
        *args: Any,
        stage: Stage,
        household: Household,
        stay: Stay | None = None,
        units: str = "us",
        **kwargs: Any,
    ) -> None:
        self.stage = stage
        self.household = household
        self.stay = stay
        self.offers = specs.fitting_specs(household, kind=stage.kind, housing=stage.housing)
        kwargs["prefix"] = f"c{stage.pk}"
        kwargs["initial"] = self._initial()
        super().__init__(*args, units=units, **kwargs)
        field = self.fields["spec"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [*((str(s.pk), s.name) for s in self.offers), (OWN, "Another one")]
        self.own = SpecForm(
            self.data if self.is_bound else None,
            prefix=f"{self.prefix}-own",
            units=units,
            kind=stage.kind,
            housing=stage.housing,
            initial={
                **typical_of(kind=stage.kind, housing=stage.housing),
                "name": f"{Kind(stage.kind).label} {_size(stage)}".strip(),
            },
        )

    def _initial(self) -> dict[str, Any]:
        if self.stay is None:
            usual = next((s for s in self.offers if s.micron == 5.0), None)
            first = usual or (self.offers[0] if self.offers else None)
            return {"spec": str(first.pk) if first else OWN, "since": TODAY}
        day = timezone.localdate(self.stay.start)
        since = TODAY if day == timezone.localdate() else ON_DAY
        shown: dict[str, Any] = {
            "spec": str(self.stay.cartridge.spec_id), "since": since, "day": day,
        }  # fmt: skip
        months = next((m for m in MONTHS if about(m) == self.stay.fitting.remark), None)
        return shown if months is None else {**shown, "since": ABOUT, "months": months}

    @property
    def choices(self) -> list[dict[str, Any]]:
        """The offers with their figures, and whether each is chosen."""
        chosen = self["spec"].value()
        return [{"spec": s, "value": str(s.pk), "chosen": chosen == str(s.pk)} for s in self.offers]

    @property
    def own_chosen(self) -> bool:
        return bool(self["spec"].value() == OWN)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        for name, asked_for in (("day", ON_DAY), ("months", ABOUT)):
            if cleaned.get("since") != asked_for:
                self.errors.pop(name, None)  # hidden, and not asked
        return cleaned

    def is_valid(self) -> bool:
        valid = super().is_valid()
        if self.own_chosen:
            valid = self.own.is_valid() and valid
        return valid

    def holding(self) -> Holding:
        """What the stage holds; an own kind is written down first. Call within a transaction."""
        if self.own_chosen:
            spec = specs.create(self.household, self.own.values)
        else:
            spec = next(s for s in self.offers if str(s.pk) == self.cleaned_data["spec"])
        at, remark = self._since()
        return Holding(stage=self.stage, spec=spec, at=at, remark=remark)

    def _since(self) -> tuple[dt.datetime, str]:
        """When it was fitted, to the moment that is known already where the day is the same."""
        since = self.cleaned_data["since"]
        day, remark = timezone.localdate(), ""
        if since == ON_DAY:
            day = self.cleaned_data["day"]
        elif since == ABOUT:
            months = self.cleaned_data["months"]
            day -= dt.timedelta(days=round(months * DAYS_PER_MONTH))
            remark = about(months)
        if self.stay is not None and timezone.localdate(self.stay.start) == day:
            return self.stay.start, remark
        return moment_on(day), remark


def _size(stage: Stage) -> str:
    return "" if stage.housing == Housing.OTHER else Housing(stage.housing).label


class CartridgeRows:
    """One form for each stage."""

    def __init__(
        self,
        *,
        stages: Sequence[Stage],
        held: Mapping[int, Stay],
        household: Household,
        units: str,
        data: Mapping[str, Any] | None = None,
    ) -> None:
        self.rows = [
            CartridgeForm(
                self._typed(data, stage),
                stage=stage,
                household=household,
                stay=held.get(stage.pk),
                units=units,
            )
            for stage in stages
        ]

    @staticmethod
    def _typed(data: Mapping[str, Any] | None, stage: Stage) -> Mapping[str, Any] | None:
        """What was typed, unless this stage was not there yet when it was."""
        if data is None or f"c{stage.pk}-since" not in data:
            return None
        return data

    def is_valid(self) -> bool:
        valid = [row.is_valid() for row in self.rows]  # each one, so that each shows its errors
        return all(valid)

    def holdings(self) -> list[Holding]:
        return [row.holding() for row in self.rows]
