"""The stages in their order: rows that can be added, moved and taken out before they are saved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import forms

from cartridges.models import Disinfectant, Housing, Kind, Stage
from cartridges.services.setup import Place
from cartridges.services.stages import MOST_STAGES

# Dirt first, then two carbons; chloramine wants the catalytic kind. Common practice, no source.
USUAL = {
    Disinfectant.FREE_CHLORINE: (Kind.SEDIMENT, Kind.CARBON_BLOCK, Kind.CARBON_BLOCK),
    Disinfectant.CHLORAMINE: (Kind.SEDIMENT, Kind.CATALYTIC_CARBON, Kind.CATALYTIC_CARBON),
}


class StageForm(forms.Form):
    """One housing: what it is for, and its size."""

    stage = forms.IntegerField(required=False, widget=forms.HiddenInput)
    kind = forms.ChoiceField(label="What is in it?", choices=Kind.choices)
    housing = forms.ChoiceField(label="Cartridge size, length × diameter", choices=Housing.choices)


class StageRows:
    """The rows of the step. Without ``data`` they show ``places``; a move changes the rows and
    saves nothing."""

    def __init__(self, *, data: Mapping[str, Any] | None = None, places: Sequence[Place] = ()):
        self.problem = ""
        self.bound = data is not None
        if data is None:
            self.rows = [self._show(place, k) for k, place in enumerate(places)]
        else:
            count = min(_whole(data.get("rows")), MOST_STAGES)
            self.rows = [StageForm(data, prefix=f"s{k}") for k in range(count)]

    @staticmethod
    def _show(place: Place, number: int) -> StageForm:
        shown = {"stage": place.stage, "kind": place.kind, "housing": place.housing}
        return StageForm(initial=shown, prefix=f"s{number}")

    @property
    def count(self) -> int:
        return len(self.rows)

    @property
    def full(self) -> bool:
        return self.count >= MOST_STAGES

    def is_valid(self) -> bool:
        if not self.rows:
            self.problem = "A train needs at least one stage."
            return False
        valid = [row.is_valid() for row in self.rows]  # each one, so that each shows its errors
        known = [row.cleaned_data.get("stage") for row in self.rows if row.is_valid()]
        known = [stage for stage in known if stage]
        if len(set(known)) != len(known):
            self.problem = "One stage is listed twice. Take one of the two out and add it anew."
            return False
        return all(valid)

    def rearranged(self, act: str) -> StageRows:
        """The rows after “add”, “up-2”, “down-2” or “out-2” (counting from 0)."""
        rows = [self._typed(row) for row in self.rows]
        verb, _, place = act.partition("-")
        here = _whole(place)
        if verb == "add" and len(rows) < MOST_STAGES:
            last = rows[-1] if rows else Place(Kind.SEDIMENT, Housing.SLIM_10)
            kind = Kind.CARBON_BLOCK if rows else Kind.SEDIMENT
            rows.append(Place(kind, last.housing))
        elif verb == "out" and here < len(rows):
            del rows[here]
        elif verb == "up" and 0 < here < len(rows):
            rows.insert(here - 1, rows.pop(here))
        elif verb == "down" and here < len(rows) - 1:
            rows.insert(here + 1, rows.pop(here))
        return StageRows(places=rows)

    @staticmethod
    def _typed(row: StageForm) -> Place:
        stage = _whole(row["stage"].value())
        return Place(
            kind=str(row["kind"].value() or Kind.OTHER),
            housing=str(row["housing"].value() or Housing.OTHER),
            stage=stage or None,
        )

    def places(self) -> list[Place]:
        """What was arranged; call when it is valid."""
        return [
            Place(
                kind=row.cleaned_data["kind"],
                housing=row.cleaned_data["housing"],
                stage=row.cleaned_data["stage"],
            )
            for row in self.rows
        ]


def _whole(text: object) -> int:
    try:
        return max(0, int(str(text)))
    except ValueError:
        return 0


def places_of(stages: Iterable[Stage], *, disinfectant: str) -> list[Place]:
    """What the rows show: the stages there are, or the usual three for such water."""
    usual = USUAL[Disinfectant(disinfectant)]
    known = [Place(kind=s.kind, housing=s.housing, stage=s.pk) for s in stages]
    return known or [Place(kind=kind, housing=Housing.SLIM_10) for kind in usual]
