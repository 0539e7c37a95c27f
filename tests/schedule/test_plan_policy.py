"""Switching between lead–lag and same day."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import Train


def switch(client: Client, train: Train, policy: str = "same_day") -> int:
    return client.post(f"/trains/{train.pk}/plan/policy/", {"policy": policy}).status_code


def policy_of(train: Train) -> str:
    train.refresh_from_db()
    return train.policy


def test_works(as_keeper: Client, train: Train) -> None:
    answer = as_keeper.post(f"/trains/{train.pk}/plan/policy/", {"policy": "same_day"})
    assert answer.headers["Location"] == f"/trains/{train.pk}/plan/"
    assert policy_of(train) == "same_day"
    assert "planned by same day" in as_keeper.get("/you/").content.decode()


@pytest.mark.parametrize("typed", ["", "never", "SAME_DAY", "lead_lag; drop"])
def test_refuses_what_is_no_policy(as_keeper: Client, train: Train, typed: str) -> None:
    assert switch(as_keeper, train, typed) == 302
    assert policy_of(train) == "lead_lag"
    assert "Choose one of them" in as_keeper.get("/you/").content.decode()


def test_needs_keeper(as_viewer: Client, train: Train) -> None:
    assert switch(as_viewer, train) == 403
    assert policy_of(train) == "lead_lag"


def test_hides_from_strangers(as_stranger: Client, train: Train) -> None:
    assert switch(as_stranger, train) == 404
    assert policy_of(train) == "lead_lag"


def test_rejects_get(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(f"/trains/{train.pk}/plan/policy/").status_code == 405


def test_asks_to_sign_in(client: Client, train: Train) -> None:
    answer = client.post(f"/trains/{train.pk}/plan/policy/", {"policy": "same_day"})
    assert answer.headers["Location"].startswith("/account/login/")
