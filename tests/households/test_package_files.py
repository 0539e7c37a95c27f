"""Front-end files that ship in packages are served from our own origin, and no others of them."""

from __future__ import annotations

import hashlib
from io import StringIO
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command
from django.test import Client
from pytest_django import Settings

from hobbyhydro.package_files import FILES, located


@pytest.mark.parametrize("name", FILES)
def test_is_found_and_served_as_it_is(client: Client, name: str) -> None:
    answer = client.get(f"/static/{name}")
    assert answer.status_code == 200
    body = b"".join(answer.streaming_content)
    assert hashlib.sha256(body).digest() == hashlib.sha256(located(name).read_bytes()).digest()
    assert finders.find(name) == str(located(name))


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("vendor/bootstrap.min.css", "text/css"),
        ("vendor/bootstrap.bundle.min.js", "text/javascript"),
        ("vendor/plotly.min.js", "text/javascript"),
        ("css/tokens.css", "text/css"),
        ("js/app.js", "text/javascript"),
        ("img/mark.svg", "image/svg+xml"),
    ],
)
def test_is_served_as_what_it_is(client: Client, name: str, kind: str) -> None:
    answer = client.get(f"/static/{name}")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"].split(";")[0] == kind


@pytest.mark.parametrize(
    "name", ["vendor/bootstrap.css", "vendor/../settings.py", "vendor/widgetbundle.js", "vendor/"]
)
def test_nothing_else_of_the_packages_is_served(client: Client, db: None, name: str) -> None:
    assert client.get(f"/static/{name}").status_code == 404
    assert finders.find("vendor/widgetbundle.js") is None


def test_a_package_that_is_not_there_is_named() -> None:
    FILES["vendor/nothing.js"] = ("no_such_package", "nothing.js")
    try:
        with pytest.raises(FileNotFoundError, match="no_such_package is not installed"):
            located("vendor/nothing.js")
    finally:
        del FILES["vendor/nothing.js"]


def test_files_for_real_use_can_be_collected(settings: Settings, tmp_path: Path) -> None:
    """Every address inside a style sheet or a script leads to a file, or this would fail."""
    settings.STATIC_ROOT = tmp_path
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.ManifestStaticFilesStorage"},
    }
    call_command("collectstatic", interactive=False, verbosity=0, stdout=StringIO())
    assert (tmp_path / "staticfiles.json").exists()
    assert list((tmp_path / "vendor").glob("plotly.min.*.js"))
    assert not list(tmp_path.rglob("widgetbundle*"))
