"""Who may do what with an import."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import HistoryImport, Source, Train

from .histories import bring_in, settle_columns, upload

GOOD = b"date,free,total\n2025-01-01,0.1,2.0\n2025-01-02,0.2,2.1\n2025-01-03,0.1,2.2\n"
STEPS = ("layout", "columns", "preview", "check", "errors.csv")
ACTS = ("take", "undo", "discard")


@pytest.fixture
def tap(train: Train) -> Source:
    return Source.objects.get(pk=train.source_id)


@pytest.fixture
def history(tap: Source, as_keeper: Client) -> HistoryImport:
    """A good file, uploaded and its columns settled, not taken in."""
    upload(as_keeper, tap, GOOD)
    history = tap.imports.get()
    settle_columns(as_keeper, history)
    return history


@pytest.mark.parametrize("step", ["", *STEPS])
def test_steps_need_keeper(history: HistoryImport, as_viewer: Client, step: str) -> None:
    address = f"/imports/{history.pk}/{step}" + ("" if "." in step or not step else "/")
    assert as_viewer.get(address).status_code == 403


@pytest.mark.parametrize("act", ACTS)
def test_acts_need_keeper(history: HistoryImport, as_viewer: Client, act: str) -> None:
    assert as_viewer.post(f"/imports/{history.pk}/{act}/").status_code == 403
    assert HistoryImport.objects.filter(pk=history.pk, finished_at=None).exists()


def test_upload_needs_keeper(tap: Source, as_viewer: Client) -> None:
    assert as_viewer.get(f"/water/{tap.pk}/import/").status_code == 403
    assert upload(as_viewer, tap, GOOD).status_code == 403
    assert not tap.imports.exists()


def test_a_viewer_sees_what_was_imported(tap: Source, as_keeper: Client, as_viewer: Client) -> None:
    history = bring_in(as_keeper, tap, GOOD)
    page = as_viewer.get(f"/imports/{history.pk}/")
    assert page.status_code == 200
    assert "Undo the whole import" not in page.content.decode()


@pytest.mark.parametrize("step", ["", *STEPS])
def test_steps_hide_from_strangers(history: HistoryImport, as_stranger: Client, step: str) -> None:
    address = f"/imports/{history.pk}/{step}" + ("" if "." in step or not step else "/")
    assert as_stranger.get(address).status_code == 404


@pytest.mark.parametrize("act", ACTS)
def test_acts_hide_from_strangers(history: HistoryImport, as_stranger: Client, act: str) -> None:
    assert as_stranger.post(f"/imports/{history.pk}/{act}/").status_code == 404


def test_upload_hides_from_strangers(tap: Source, as_stranger: Client) -> None:
    assert upload(as_stranger, tap, GOOD).status_code == 404


@pytest.mark.parametrize("act", ACTS)
def test_acts_reject_get(history: HistoryImport, as_keeper: Client, act: str) -> None:
    assert as_keeper.get(f"/imports/{history.pk}/{act}/").status_code == 405


def test_needs_sign_in(history: HistoryImport, client: Client) -> None:
    for step in ("", "columns/", "check/"):
        answer = client.get(f"/imports/{history.pk}/{step}")
        assert answer.status_code == 302 and "/account/login/" in answer["Location"]
