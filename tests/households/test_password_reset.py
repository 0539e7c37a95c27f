"""A forgotten password: the mail in text and HTML, the link, the new password."""

from __future__ import annotations

import re

import pytest
from django.core import mail
from django.core.mail import EmailMultiAlternatives
from django.test import Client
from pytest_django import Settings
from pytest_django.asserts import assertContains, assertRedirects

from hobbyhydro.households.models import User

NEW = "a slower drip a second"


def sent() -> tuple[EmailMultiAlternatives, str]:
    [message] = mail.outbox
    assert isinstance(message, EmailMultiAlternatives)
    [alternative] = message.alternatives
    assert alternative.mimetype == "text/html"
    return message, str(alternative.content)


def test_works(client: Client, owner: User) -> None:
    answer = client.post("/account/password/reset/", {"email": owner.email})
    assertRedirects(answer, "/account/password/reset/done/")
    message, html = sent()
    assert message.to == [owner.email]
    assert message.subject == "Choose a new password"
    [link] = re.findall(r"http://testserver(/account/password/reset/key/\S+)", message.body)
    assert f'href="http://testserver{link}"' in html
    for words in ("works once", "your password stays as it is"):
        assert words in message.body
        assert words in html
    page = client.get(link, follow=True)
    assertContains(page, "Choose a new password")
    client.post(page.request["PATH_INFO"], {"password1": NEW, "password2": NEW})
    owner.refresh_from_db()
    assert owner.check_password(NEW)


def test_a_link_works_once(client: Client, owner: User) -> None:
    client.post("/account/password/reset/", {"email": owner.email})
    [link] = re.findall(r"http://testserver(/account/\S+)", mail.outbox[0].body)
    page = client.get(link, follow=True)
    client.post(page.request["PATH_INFO"], {"password1": NEW, "password2": NEW})
    assertContains(Client().get(link, follow=True), "This link no longer works")


def test_an_address_nobody_signs_in_with_is_told_the_same_on_the_page(
    client: Client, owner: User
) -> None:
    answer = client.post("/account/password/reset/", {"email": "nobody@example.org"})
    assertRedirects(answer, "/account/password/reset/done/")
    message, html = sent()
    assert message.to == ["nobody@example.org"]
    assert "Nobody signs in to HobbyHydro with this address" in message.body
    assert "Nobody signs in to HobbyHydro with this address" in html


def test_a_slip_in_the_address_sends_nothing(client: Client, owner: User) -> None:
    page = client.post("/account/password/reset/", {"email": "owner at example"})
    assertContains(page, 'value="owner at example"')
    assert mail.outbox == []


@pytest.mark.parametrize(("old", "changed"), [("a drip a second", True), ("wrong", False)])
def test_changing_it_needs_the_old_one(
    as_owner: Client, owner: User, old: str, changed: bool
) -> None:
    data = {"oldpassword": old, "password1": NEW, "password2": NEW}
    page = as_owner.post("/account/password/change/", data, follow=True)
    owner.refresh_from_db()
    assert owner.check_password(NEW) is changed
    if changed:
        assertContains(page, "Your password is changed.")
    assert mail.outbox == []


def test_outside_the_demo_an_address_is_confirmed_before_the_first_sign_in(
    client: Client, db: None, settings: Settings
) -> None:
    settings.ACCOUNT_EMAIL_VERIFICATION = "mandatory"
    data = {"email": "ines@example.org", "password1": NEW, "password2": NEW}
    answer = client.post("/account/signup/", data)
    assertRedirects(answer, "/account/confirm-email/")
    assert client.get("/you/").status_code == 302
    message, html = sent()
    assert message.subject == "Confirm your address"
    [link] = re.findall(r"http://testserver(/account/confirm-email/\S+)", message.body)
    assert link in html
    assertContains(client.get(link), "ines@example.org")
    client.post(link)
    login = {"login": "ines@example.org", "password": NEW}
    client.post("/account/login/", login)
    assertContains(client.get("/you/"), "ines@example.org")
    assert User.objects.get().households.count() == 1
