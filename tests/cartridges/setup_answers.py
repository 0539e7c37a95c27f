"""What a keeper types into the set-up, step by step, and a way to walk through it."""

from __future__ import annotations

from typing import Any

from django.test import Client

from cartridges.models import CartridgeSpec, Train

WATER = {
    "disinfectant": "chloramine",
    "origin": "utility",
    "total_mg_l": "2.0",
    "free_mg_l": "0.1",
    "temperature_c": "64.4",
    "ph": "8.1",
    "turbidity_ntu": "0.3",
}
TRAIN = {
    "name": "Cellar line",
    "supply_pressure_kpa": "60",
    "limit_mg_l": "0.1",
    "policy": "lead_lag",
    "duty": "drip",
}
STAGES = {
    "rows": "3",
    "s0-kind": "sediment",
    "s0-housing": "10x2.5",
    "s1-kind": "catalytic_carbon",
    "s1-housing": "10x2.5",
    "s2-kind": "catalytic_carbon",
    "s2-housing": "10x2.5",
}
FLOW = {
    "rated_flow_l_day": "50",
    "rated_pressure_kpa": "60",
    "law": "pressure_compensating",
    "has_meter": "no",
}
STARTERS = {"sediment": "sediment-5-slim", "catalytic_carbon": "catalytic-slim"}

# Typed into a box that wants a number above zero; each must be refused beside it.
NOT_NUMBERS = ["-1", "0", "1e9", "nan", "inf", "-inf", "twelve", "1.2.3"]

OWN_PACKAGE = {
    "name": "Chunky block",
    "free_volume_l": "10000",
    "free_volume_l_in": "us",
    "free_flow_l_day": "0.75",
    "free_flow_l_day_in": "us",
    "free_inlet_mg_l": "2",
    "free_reduction_new": "97",
    "free_reduction_end": "50",
    "chloramine_volume_l": "",
    "chloramine_flow_l_day": "",
    "chloramine_inlet_mg_l": "3",
    "chloramine_reduction_new": "97",
    "chloramine_reduction_end": "83.33",
    "bed_volume_l": "34",
    "calendar_months": "12",
    "flush_volume_l": "3",
}


def cartridges_of(train: Train, **more: str) -> dict[str, str]:
    """A starter cartridge for each stage, fitted today."""
    typed = {}
    for stage in train.stages.filter(retired_at__isnull=True):
        spec = CartridgeSpec.objects.get(starter_key=STARTERS[stage.kind])
        typed |= {f"c{stage.pk}-spec": str(spec.pk), f"c{stage.pk}-since": "today"}
    return typed | more


def send(client: Client, train: Train | None, step: str, typed: dict[str, str], **more: str) -> Any:
    """Post one step of the set-up."""
    address = f"/setup/{train.pk}/{step}/" if train else "/setup/"
    return client.post(address, {**typed, **more})


def walk(client: Client, *, until: str = "finish") -> Train:
    """Through the set-up, up to and without the step ``until``."""
    send(client, None, "water", WATER)
    train = Train.objects.get(set_up_at__isnull=True)
    for step, typed in (("train", TRAIN), ("stages", STAGES), ("cartridges", None), ("flow", FLOW)):
        if step == until:
            break
        answer = send(client, train, step, cartridges_of(train) if typed is None else typed)
        assert answer.status_code == 302, answer.context["form"].__dict__
    train.refresh_from_db()
    return train


def says(answer: Any, field: str, form: Any = None) -> str:
    """The error beside a field, which must be there, on a page that can be corrected."""
    assert answer.status_code == 200
    errors = (form or answer.context["form"]).errors
    assert field in errors, errors
    words: str = errors[field][0]
    assert words in answer.content.decode().replace("&#x27;", "'")
    return words


def shows(answer: Any, field: str, typed: str) -> bool:
    """Whether the box still holds what was typed."""
    page = answer.content.decode()
    return any(
        f'name="{field}"' in tag and f'value="{typed}"' in tag for tag in page.split("<input")[1:]
    )
