"""What the tests of logging share: sending a form as a browser would, reading what comes back."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Train

ACT_KINDS = (
    "meter-reading", "restrictor", "bucket-test", "pressure", "outlet-test", "source-test",
    "shut-off", "turn-on", "swap", "rotation", "note",
)  # fmt: skip


def ago(**parts: float) -> dt.datetime:
    """A moment in the past, to the minute."""
    return (timezone.now() - dt.timedelta(**parts)).replace(second=0, microsecond=0)


def clock(moment: dt.datetime) -> str:
    """What a datetime-local field holds for that moment, in the zone that is active (UTC here)."""
    return timezone.localtime(moment).strftime("%Y-%m-%dT%H:%M")


def address(train: Train, kind: str) -> str:
    return reverse("log-fact", args=[train.pk, kind])


def shown(client: Client, where: str) -> dict[str, Any]:
    """The form of a page as it would be sent back untouched."""
    form = client.get(where).context["form"]
    fields = {name: form[name].value() for name in form.fields}
    return {name: "" if value is None else value for name, value in _as_sent(form, fields).items()}


def _as_sent(form: Any, fields: dict[str, Any]) -> dict[str, Any]:
    return {
        name: form.fields[name].prepare_value(value)
        for name, value in fields.items()
        if value is not False
    }


def send(client: Client, where: str, **typed: Any) -> HttpResponse:
    """Open the page, type into its form, and send it."""
    data = shown(client, where)
    data.update({k: clock(v) if isinstance(v, dt.datetime) else v for k, v in typed.items()})
    return client.post(where, {k: v for k, v in data.items() if v is not None})


def errors(response: HttpResponse) -> dict[str, list[str]]:
    """What the page says beside each field; the page must have come back, not led on."""
    assert response.status_code == 200, f"led on to {response.headers.get('Location')}"
    found: dict[str, list[str]] = response.context["form"].errors
    return found


def messages(client: Client, response: HttpResponse) -> str:
    """All that is said on the page that a saved form leads to."""
    assert response.status_code == 302, errors(response)
    page = client.get(response.headers["Location"])
    return " ".join(str(m) for m in page.context["messages"])
