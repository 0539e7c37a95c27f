"""``/cautions/``: anybody may read them, signed in or not."""

from __future__ import annotations

import pytest
from django.test import Client
from pytest_django.asserts import assertContains

# What every reader must find, by a word that only that caution holds.
EACH = [
    "drinking water", "kit that shows free chlorine", "pressure", "silicone grease",
    "Flush new carbon", "air gap", "leak stop", "utility", "aquatic vet", "local plumbing codes",
]  # fmt: skip


@pytest.mark.parametrize("words", EACH)
def test_works_without_signing_in(client: Client, db: None, words: str) -> None:
    assertContains(client.get("/cautions/"), words)


def test_works_signed_in(as_viewer: Client) -> None:
    page = as_viewer.get("/cautions/")
    assert page.content.decode().count('<li class="panel">') == 9
    assertContains(page, "Fern Street")


def test_takes_no_post(client: Client, db: None) -> None:
    assert client.post("/cautions/").status_code == 405


def test_every_page_leads_to_them(client: Client, db: None) -> None:
    assertContains(client.get("/account/login/"), 'href="/cautions/"')
