"""What stands on the page when something is not there, not allowed, not readable or broken."""

from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied, SuspiciousOperation
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import include, path
from pytest_django import Settings
from pytest_django.asserts import assertContains, assertNotContains

from hobbyhydro.urls import handler400, handler403, handler404, handler500

__all__ = ["handler400", "handler403", "handler404", "handler500", "urlpatterns"]


def break_down(request: HttpRequest) -> HttpResponse:
    raise ZeroDivisionError("a secret of ours")


def refuse(request: HttpRequest) -> HttpResponse:
    raise PermissionDenied("Words of whoever refused.")


def refuse_silently(request: HttpRequest) -> HttpResponse:
    raise PermissionDenied


def misread(request: HttpRequest) -> HttpResponse:
    raise SuspiciousOperation("a secret of ours")


urlpatterns = [
    path("break/", break_down),
    path("refuse/", refuse),
    path("refuse-silently/", refuse_silently),
    path("misread/", misread),
    path("", include("hobbyhydro.urls")),
]


@pytest.fixture(autouse=True)
def addresses_that_fail(settings: Settings, client: Client) -> None:
    settings.ROOT_URLCONF = __name__
    client.raise_request_exception = False


CASES = [
    ("/nowhere/", 404, "This page is not here"),
    ("/refuse/", 403, "Words of whoever refused."),
    ("/refuse-silently/", 403, "Its owner can change that."),
    ("/misread/", 400, "nothing was saved"),
    ("/break/", 500, "trust your test kit"),
]


@pytest.mark.parametrize(("address", "status", "words"), CASES)
@pytest.mark.parametrize("signed_in", [False, True])
def test_says_what_to_do(
    client: Client, owner: object, signed_in: bool, address: str, status: int, words: str
) -> None:
    if signed_in:
        client.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
    page = client.get(address)
    assertContains(page, words, status_code=status)
    assertNotContains(page, "a secret of ours", status_code=status)
    assertContains(page, 'href="/"', status_code=status)


def test_a_broken_page_needs_no_database(client: Client) -> None:
    """No database is open to this test, so any query would fail it."""
    assert client.get("/break/").status_code == 500


def test_a_form_that_grew_old_says_so(owner: object) -> None:
    strict = Client(enforce_csrf_checks=True)
    page = strict.post("/account/login/", {"login": "x", "password": "y"})
    assertContains(page, "This form has grown old", status_code=403)
