"""``/household/invite/``: an owner invites; the mail in text and HTML; what is kept of the link."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.core.mail import EmailMultiAlternatives
from django.test import Client
from django.utils import timezone
from pytest_django import Settings
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households import invitations, people
from hobbyhydro.households.models import Household, Invitation, User

WHERE = "/household/invite/"
GOOD = {"email": "guest@example.org", "role": "keeper"}


def sent() -> tuple[EmailMultiAlternatives, str]:
    message = mail.outbox[-1]
    assert isinstance(message, EmailMultiAlternatives)
    [alternative] = message.alternatives
    assert alternative.mimetype == "text/html"
    return message, str(alternative.content)


def secret_in(message: Any) -> str:
    [secret] = re.findall(r"http://testserver/join/([\w-]+)/", message.body)
    return secret


def said(client: Client) -> str:
    return " ".join(str(m) for m in client.get("/household/").context["messages"])


def test_works(as_owner: Client, household: Household, owner: User) -> None:
    assertRedirects(as_owner.post(WHERE, GOOD), "/household/")
    [invitation] = household.invitations.all()
    assert (invitation.email, invitation.role) == ("guest@example.org", "keeper")
    assert invitation.made_by == owner
    assert invitation.expires_at - invitation.made_at == dt.timedelta(days=7)
    assert invitations.state_of(invitation).value == "open"
    event = household.events.get()
    assert (event.by, event.says) == (owner, "guest@example.org was invited as a keeper")
    page = as_owner.get("/household/")
    for words in ("guest@example.org", "invited by Odile today", "in 7 days", "Send again"):
        assertContains(page, words)


def test_mails_the_link_in_text_and_html(as_owner: Client, household: Household) -> None:
    as_owner.post(WHERE, {**GOOD, "role": "viewer"})
    [message] = mail.outbox
    message, html = sent()
    assert message.to == ["guest@example.org"]
    assert message.subject == "Odile invites you to Fern Street"
    link = f"http://testserver/join/{secret_in(message)}/"
    assert f'href="{link}"' in html and html.count(link) == 2
    for part in (message.body, html):
        for words in ("Odile", "Fern Street", "a viewer, who sees", "works once", "in 7 days",
                      "guest@example.org", "leave it, and nothing comes of it"):  # fmt: skip
            assert words in part
    assert "<" not in message.body
    assert "<style" not in html and 'style="' in html  # many readers drop a style sheet


def test_keeps_the_digest_of_the_secret_alone(as_owner: Client, household: Household) -> None:
    """SHA-256 by the standard library; the secret has 256 bits, 43 characters of base 64."""
    as_owner.post(WHERE, GOOD)
    secret = secret_in(mail.outbox[0])
    assert len(secret) == 43
    row = Invitation.objects.values().get()
    assert row["digest"] == hashlib.sha256(secret.encode("ascii")).hexdigest()
    assert secret not in str(row)
    assert secret not in household.events.get().says


def test_shows_the_link_where_no_mail_is_sent(as_owner: Client, settings: Settings) -> None:
    settings.DEMO = True
    as_owner.post(WHERE, GOOD)
    assertContains(as_owner.get("/household/"), f"/join/{secret_in(mail.outbox[-1])}/")
    settings.DEMO = False
    as_owner.post(WHERE, GOOD)
    page = as_owner.get("/household/")
    assertContains(page, "An invitation is on its way to guest@example.org.")
    assertNotContains(page, "/join/")


@pytest.mark.parametrize("role", ["keeper", "viewer"])
def test_needs_an_owner(role: str, request: pytest.FixtureRequest, household: Household) -> None:
    client: Client = request.getfixturevalue(f"as_{role}")
    assert client.post(WHERE, GOOD).status_code == 403
    assertNotContains(client.get("/household/"), "Invite somebody")
    assert mail.outbox == []
    assert not Invitation.objects.exists()


def test_a_stranger_invites_to_their_own(as_stranger: Client, household: Household) -> None:
    as_stranger.post(WHERE, GOOD)
    assert Invitation.objects.get().household.name == "Elsewhere"


def test_rejects_get(as_owner: Client) -> None:
    assert as_owner.get(WHERE).status_code == 405


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("email", "", "Where should the invitation go?"),
        ("email", "not an address", "This is not an email address"),
        ("email", "a@b", "This is not an email address"),
        ("email", "x@example.org\nBcc: y@example.org", "This is not an email address"),
        ("email", "x" * 250 + "@example.org", "at most"),
        ("role", "king", "king is not one of the available choices"),
        ("role", "", "required"),
    ],
)
def test_keeps_what_was_typed_and_invites_nobody(
    as_owner: Client, household: Household, field: str, value: str, words: str
) -> None:
    page = as_owner.post(WHERE, {**GOOD, field: value})
    assert page.status_code == 200
    assert list(page.context["invite"].errors) == [field]
    assertContains(page, words)
    if field != "email":
        assertContains(page, 'value="guest@example.org"')
    assert mail.outbox == []
    assert not Invitation.objects.exists()


@pytest.mark.parametrize(
    "email", ["keeper@example.org", "Keeper@Example.ORG", " keeper@example.org"]
)
def test_one_who_belongs_here_is_not_invited(as_owner: Client, keeper: User, email: str) -> None:
    page = as_owner.post(WHERE, {**GOOD, "email": email})
    assertContains(page, "Kasimir belongs to this household already.")
    assert mail.outbox == []


def test_nor_by_a_second_address_that_is_known_to_be_theirs(as_owner: Client, keeper: User) -> None:
    keeper.emailaddress_set.create(email="kas@example.net", verified=True)
    page = as_owner.post(WHERE, {**GOOD, "email": "kas@example.net"})
    assertContains(page, "Kasimir belongs to this household already.")


def test_a_second_invitation_replaces_the_first(as_owner: Client, household: Household) -> None:
    as_owner.post(WHERE, GOOD)
    first = secret_in(mail.outbox[0])
    as_owner.post(WHERE, {"email": "GUEST@example.org", "role": "viewer"})
    second = secret_in(mail.outbox[1])
    assertContains(Client().get(f"/join/{first}/"), "was taken back", status_code=410)
    assertContains(Client().get(f"/join/{second}/"), "a viewer, who sees")
    assert [i.role for i in invitations.standing(household)] == ["viewer"]
    assert household.events.first().says == "guest@example.org was invited once more as a viewer"


def test_twenty_a_day_and_no_more(
    as_owner: Client, as_stranger: Client, household: Household
) -> None:
    with time_machine.travel(timezone.now() - dt.timedelta(hours=2), tick=False):
        for k in range(20):
            invitations.invite(
                household=household,
                email=f"g{k}@example.org",
                role="viewer",
                by=household.memberships.get().person,
            )
    page = as_owner.post(WHERE, GOOD)
    assertContains(page, "20 invitations were sent from this household within a day")
    assertContains(page, 'value="guest@example.org"')
    assert mail.outbox == []
    assertRedirects(as_stranger.post(WHERE, GOOD), "/household/")  # each household has its own
    Invitation.objects.filter(household=household).update(
        made_at=timezone.now() - dt.timedelta(hours=25)
    )
    assertRedirects(as_owner.post(WHERE, GOOD), "/household/")
    assert len(mail.outbox) == 2


def test_a_mail_that_no_server_takes_invites_nobody(
    as_owner: Client, household: Household, settings: Settings
) -> None:
    """Nothing listens on port 9 (discard) of this machine."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 9
    as_owner.post(WHERE, GOOD)
    assert "could not be handed to the mail server, so nobody is invited" in said(as_owner)
    assert not invitations.standing(household).exists()
    assert household.events.first().says.endswith("could not be sent")


def test_names_cannot_put_anything_into_the_mail(
    as_owner: Client, owner: User, household: Household
) -> None:
    owner.name = "Odile\r\nBcc: all@example.org"
    owner.save()
    household.name = '<b>Fern</b> & "Co"'
    household.save()
    as_owner.post(WHERE, GOOD)
    message, html = sent()
    subject = 'Odile Bcc: all@example.org invites you to <b>Fern</b> & "Co"'
    assert message.subject == subject
    assert message.recipients() == ["guest@example.org"]
    assert "<b>Fern" not in html and "&lt;b&gt;Fern" in html
    assert '<b>Fern</b> & "Co"' in message.body


def test_revoke_works(as_owner: Client, household: Household, owner: User) -> None:
    as_owner.post(WHERE, GOOD)
    invitation = household.invitations.get()
    answer = as_owner.post(f"/household/invitations/{invitation.pk}/revoke/")
    assertRedirects(answer, "/household/", fetch_redirect_response=False)
    assert "does not work any more" in said(as_owner)
    page = Client().get(f"/join/{secret_in(mail.outbox[0])}/")
    assertContains(page, "This invitation was taken back", status_code=410)
    event = household.events.first()
    assert (event.by, event.says) == (owner, "The invitation of guest@example.org was taken back")
    as_owner.post(f"/household/invitations/{invitation.pk}/revoke/")
    assert household.events.count() == 2  # a second press changes nothing


def test_revoke_of_one_that_was_taken_up_says_so(
    as_owner: Client, household: Household, owner: User
) -> None:
    offer = invitations.invite(household=household, by=owner, **GOOD)
    guest = User.objects.create_user("guest@example.org", name="Gesa")
    invitations.accept(offer.invitation, person=guest)
    as_owner.post(f"/household/invitations/{offer.invitation.pk}/revoke/")
    assert "Gesa took the invitation up in the meantime." in said(as_owner)
    assert people.member_by_email(household, "guest@example.org") == guest


def test_revoke_needs_an_owner(as_keeper: Client, household: Household, owner: User) -> None:
    offer = invitations.invite(household=household, by=owner, **GOOD)
    where = f"/household/invitations/{offer.invitation.pk}/revoke/"
    assert as_keeper.post(where).status_code == 403
    assert as_keeper.get(where).status_code == 405
    offer.invitation.refresh_from_db()
    assert offer.invitation.revoked_at is None


def test_revoke_hides_from_strangers(
    as_stranger: Client, household: Household, owner: User
) -> None:
    offer = invitations.invite(household=household, by=owner, **GOOD)
    where = f"/household/invitations/{offer.invitation.pk}/revoke/"
    assert as_stranger.post(where).status_code == 404
