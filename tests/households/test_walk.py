"""A walk over every address of the site, as everybody who might come to it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import transaction
from django.http import HttpResponse
from django.test import Client

from cartridges.models import Train
from tests.addresses import BY_SECRET, FOR_ONE_PERSON, OPEN_TO_ALL, Address, every_address

OK, MOVED, NOT_READABLE, REFUSED, UNKNOWN, WRONG_WAY = 200, 302, 400, 403, 404, 405
# What a viewer may send: how they themselves read, where they stand and whether they stay, and a
# wish for fresh figures, which are worked out from facts that stay as they are.
CHANGES_NO_FACT = {
    "calendar-rotate",
    "calendar-stop",
    "household-new",
    "household-switch",
    "leave",
    "notices",
    "notices-pause",
    "notices-resume",
    "person",
    "plan-renew",
    "recalculate",
}
# What an owner alone may do, and those of them that answer a GET.
GOVERNS = {
    "hand-over",
    "household",
    "invitation-revoke",
    "invite",
    "member-remove",
    "member-role",
}
GOVERNING_PAGES = {"hand-over", "member-remove"}


def walk(
    train: Train, ask: Callable[[str], HttpResponse], allowed: Callable[[Address], set[int]]
) -> list[str]:
    """Each address whose answer is not one of those allowed, with the answer.

    Each is asked of the same household: what an answer changed is taken back before the next.
    """
    wrong = []
    for address in every_address(train):
        with transaction.atomic():
            status = ask(address.path).status_code
            transaction.set_rollback(True)
        if status not in allowed(address):
            wrong.append(f"{address}: {status}")
    return wrong


@pytest.mark.parametrize("method", ["get", "post"])
def test_the_signed_out_are_sent_to_sign_in(train: Train, method: str) -> None:
    wrong = []
    for address in every_address(train):
        if address.name in OPEN_TO_ALL:
            continue
        answer = getattr(Client(), method)(address.path)
        if answer.status_code == WRONG_WAY and method == "get":
            continue
        if not answer.headers.get("Location", "").startswith("/account/login/"):
            wrong.append(f"{address}: {answer.status_code}")
    assert wrong == []


@pytest.mark.parametrize("method", ["get", "post"])
def test_strangers_are_not_told_that_anything_is_there(
    train: Train, as_stranger: Client, method: str
) -> None:
    def allowed(address: Address) -> set[int]:
        if address.name == "invitation":  # who holds the secret may read it, and not use it
            return {OK} if method == "get" else {REFUSED}
        if address.name == "feed":  # so may a calendar program
            return {OK} if method == "get" else {WRONG_WAY}
        if address.name in BY_SECRET:  # and a POST must say that it is meant
            return {OK} if method == "get" else {NOT_READABLE}
        return {UNKNOWN, WRONG_WAY} if address.scoped else {OK, MOVED, WRONG_WAY}

    assert walk(train, getattr(as_stranger, method), allowed) == []


def test_a_viewer_writes_nothing(train: Train, as_viewer: Client) -> None:
    def allowed(address: Address) -> set[int]:
        if address.name in CHANGES_NO_FACT:
            return {OK, MOVED}
        if address.name == "setup-discard":  # this train is set up, so there is nothing to discard
            return {UNKNOWN}
        if address.name in BY_SECRET:
            return {NOT_READABLE}
        return {REFUSED, WRONG_WAY}

    assert walk(train, as_viewer.post, allowed) == []


def test_a_viewer_sees_pages_but_no_form_that_writes(train: Train, as_viewer: Client) -> None:
    def allowed(address: Address) -> set[int]:
        if address.name in FOR_ONE_PERSON:
            return {UNKNOWN}
        return {OK, MOVED, REFUSED, WRONG_WAY}

    assert walk(train, as_viewer.get, allowed) == []


def test_a_keeper_does_not_govern(train: Train, as_keeper: Client) -> None:
    answers = {
        address.name: as_keeper.post(address.path).status_code
        for address in every_address(train)
        if address.name in GOVERNS
    }
    assert answers == dict.fromkeys(GOVERNS, REFUSED)


@pytest.mark.parametrize("role", ["keeper", "owner"])
def test_nothing_is_closed_or_broken_to_those_who_look_after_it(
    train: Train, role: str, request: pytest.FixtureRequest
) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")

    def allowed(address: Address) -> set[int]:
        if role == "keeper" and address.name in GOVERNING_PAGES:
            return {REFUSED}
        if role == "keeper" and address.name in FOR_ONE_PERSON:
            return {UNKNOWN}
        return {OK, MOVED, WRONG_WAY}

    assert walk(train, client.get, allowed) == []


def test_nothing_answers_an_object_that_is_not_there(train: Train, as_owner: Client) -> None:
    wrong = []
    for address in every_address(train):
        parts = ["987654321" if part.isdigit() else part for part in address.path.split("/")]
        path = "/".join(parts)
        if path == address.path:
            continue
        for method in ("get", "post"):
            status = getattr(as_owner, method)(path).status_code
            if status not in (UNKNOWN, WRONG_WAY):
                wrong.append(f"{method} {path}: {status}")
    assert wrong == []
