"""Nothing is run or styled from inside a page, and nothing comes from elsewhere.

The directives are those of Content Security Policy Level 3 (W3C); the defaults that it leaves open
are named here one by one.
"""

from __future__ import annotations

from html.parser import HTMLParser
from urllib.parse import urlparse

import pytest
from django.http import HttpResponse
from django.test import Client

from cartridges.models import Train
from tests.addresses import every_address

SIGNED_OUT = [
    "/", "/cautions/", "/account/login/", "/account/signup/", "/account/password/reset/",
    "/account/password/reset/done/", "/account/confirm-email/", "/account/inactive/",
    "/account/password/reset/key/1-nonsense/", "/account/confirm-email/nonsense/", "/nowhere/",
]  # fmt: skip
SIGNED_IN = [
    "/account/email/", "/account/password/change/", "/account/logout/", "/account/reauthenticate/",
]  # fmt: skip


class Inside(HTMLParser):
    """Collects what a strict policy would refuse, or what would call home."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        where = f"<{tag} {' '.join(given)}> at line {self.getpos()[0]}"
        if tag == "style" or "style" in given:
            self.found.append(f"style in {where}")
        if tag == "script" and not given.get("src") and given.get("type") != "application/json":
            self.found.append(f"script in {where}")
        self.found += [f"handler {name} in {where}" for name in given if name.startswith("on")]
        for name in ("src", "href", "action", "formaction", "poster", "data"):
            address = urlparse(given.get(name, ""))
            if address.scheme == "javascript":
                self.found.append(f"script in {name} of {where}")
            if tag != "a" and address.netloc:
                self.found.append(f"{given[name]} in {where}")
        self.found += [f"{name} in {where}" for name in given if name.startswith("hx-on")]
        if any(value.startswith(("js:", "javascript:")) for value in given.values()):
            self.found.append(f"script in {where}")


def refused_in(page: HttpResponse) -> list[str]:
    if not page.headers.get("Content-Type", "").startswith("text/html"):
        return []
    reader = Inside()
    reader.feed(page.content.decode())
    return reader.found


def policy_of(page: HttpResponse) -> dict[str, set[str]]:
    rules = page.headers["Content-Security-Policy"].split(";")
    return {words[0]: set(words[1:]) for rule in rules if (words := rule.split())}


@pytest.mark.parametrize("path", SIGNED_OUT)
def test_pages_before_sign_in(client: Client, db: None, path: str) -> None:
    page = client.get(path, follow=True)
    assert refused_in(page) == []
    assert page.content


@pytest.mark.parametrize("path", SIGNED_IN)
def test_pages_about_signing_in(as_owner: Client, path: str) -> None:
    page = as_owner.get(path)
    assert page.status_code == 200
    assert refused_in(page) == []


def test_every_page_of_the_train(train: Train, as_owner: Client) -> None:
    found, seen = [], 0
    for address in every_address(train):
        page = as_owner.get(address.path)
        seen += page.headers.get("Content-Type", "").startswith("text/html")
        found += [f"{address}: {what}" for what in refused_in(page)]
    assert found == []
    assert seen > 20


@pytest.mark.parametrize("path", ["/cautions/", "/nowhere/", "/account/login/"])
def test_the_policy_lets_in_nothing_but_our_own(client: Client, db: None, path: str) -> None:
    policy = policy_of(client.get(path))
    own = {"'self'"}
    assert policy["default-src"] == own
    assert policy["script-src"] == own
    assert policy["style-src"] == own
    assert policy["img-src"] == own | {"data:"}
    assert policy["object-src"] == {"'none'"}
    assert policy["frame-ancestors"] == {"'none'"}
    # These two do not fall back on default-src, so that leaving them out would leave them open.
    assert policy["base-uri"] == own
    assert policy["form-action"] == own
    loose = {"'unsafe-inline'", "'unsafe-eval'", "'unsafe-hashes'", "*", "https:", "http:"}
    assert not loose & set().union(*policy.values())


def test_the_other_headers(client: Client, db: None) -> None:
    headers = client.get("/cautions/").headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"


def test_htmx_neither_styles_nor_evaluates(client: Client, db: None) -> None:
    page = client.get("/cautions/").content.decode()
    assert '"includeIndicatorStyles": false' in page
    assert '"allowEval": false' in page


@pytest.mark.parametrize(
    "bad",
    [
        "<p style='color:red'>", "<style>p{}</style>", "<script>1</script>",
        "<button onclick='go()'>", "<a href='javascript:go()'>", "<script src='//x.example/a.js'>",
        "<body hx-headers='js:{a: 1}'>", "<div hx-on:click='go()'>", "<img src='https://x.example/'>",
    ],
)  # fmt: skip
def test_the_reader_of_this_file_sees_what_it_is_meant_to(bad: str) -> None:
    assert refused_in(HttpResponse(bad)) != []


def test_a_form_token_reaches_every_request_of_htmx(as_owner: Client) -> None:
    page = as_owner.get("/you/").content.decode()
    assert 'hx-headers=\'{"X-CSRFToken": "' in page
