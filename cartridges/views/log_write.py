"""Which act writes what a clean form holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from cartridges.forms.log_base import LogForm
from cartridges.forms.log_flow import ShutOffForm, TurnOnForm
from cartridges.forms.log_meter import MeterReadingForm
from cartridges.forms.log_swap import (
    NONE,
    CartridgeForm,
    FittingCorrectionForm,
    RotationForm,
    SwapForm,
)
from cartridges.models import Fact
from cartridges.services import acts, beginnings, meters
from cartridges.services.contradictions import refuse_contradiction
from hobbyhydro.households.models import User


def write(form: LogForm, *, by: User) -> Sequence[Fact]:
    """Save a clean form that is not a correction; the facts it amounts to."""
    special = SPECIAL.get(type(form))
    facts = [acts.log(form.unsaved(), by=by)] if special is None else special(form, by)
    for fact in facts:
        beginnings.follow(fact, by=by)
    return facts


def write_correction(form: LogForm, *, by: User, why: str) -> Fact:
    """Save a clean correction; the fact that stands from now on."""
    assert form.fact is not None
    changes = form.changed()
    if isinstance(form, MeterReadingForm) and form.meter is not None:
        meters.learn_turn(form.meter, form.turn_l)
    if isinstance(form, FittingCorrectionForm) and form.is_bought_now:
        changes["cartridge"] = form.take_cartridge()
    fresh = acts.correct(form.fact, by=by, why=why, **changes)
    beginnings.follow(fresh, was=form.fact.at, by=by)
    refuse_contradiction(fresh)
    return fresh


def _reading(form: Any, by: User) -> list[Fact]:
    assert isinstance(form, MeterReadingForm)
    reading = meters.log_reading(
        train=form.train,
        reading_l=form.reading_l,
        at=form.cleaned_data["at"],
        remark=form.cleaned_data["remark"],
        by=by,
        meter=form.meter,
        new_meter=form.new_meter,
        rolled_over=form.rolled_over,
        rolls_over_at_l=form.turn_l,
    )
    return [reading]


def _shut_off(form: Any, by: User) -> list[Fact]:
    assert isinstance(form, ShutOffForm)
    return [acts.shut_off(train=form.train, by=by, **form.changes())]


def _turn_on(form: Any, by: User) -> list[Fact]:
    return [acts.turn_on(train=form.train, at=form.cleaned_data["at"], by=by)]


def _swap(form: Any, by: User) -> list[Fact]:
    assert isinstance(form, SwapForm)
    stage, at = form.cleaned_data["stage"], form.cleaned_data["at"]
    remark = form.cleaned_data["remark"]
    if form.cleaned_data["cartridge"] == NONE:
        return [acts.empty(stage=stage, at=at, by=by, remark=remark)]
    cartridge = _taken(form)
    return [acts.swap(stage=stage, cartridge=cartridge, at=at, by=by, remark=remark)]


def _rotation(form: Any, by: User) -> list[Fact]:
    assert isinstance(form, RotationForm)
    fittings = acts.rotate(
        train=form.train,
        at=form.cleaned_data["at"],
        by=by,
        new_cartridge=_taken(form),
        remark=form.cleaned_data["remark"],
    )
    return list(fittings)


def _taken(form: CartridgeForm) -> Any:
    cartridge = form.take_cartridge()
    if cartridge is None:
        raise acts.ActError("cartridge", "That cartridge is not on the shelf any more.")
    return cartridge


SPECIAL: dict[type[LogForm], Callable[[Any, User], list[Fact]]] = {
    MeterReadingForm: _reading,
    ShutOffForm: _shut_off,
    TurnOnForm: _turn_on,
    SwapForm: _swap,
    RotationForm: _rotation,
}
