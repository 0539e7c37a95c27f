"""``/join/<secret>/``: what the one who opens the link sees, and what comes of it."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine
from django.core import mail
from django.test import Client
from django.utils import timezone
from pytest_django import Settings
from pytest_django.asserts import assertContains, assertNotContains, assertRedirects

from hobbyhydro.households import invitations, people
from hobbyhydro.households.invitations import Offer
from hobbyhydro.households.models import Household, Membership, User
from tests.conftest import signed_in

SIGN_UP = {
    "name": "Gesa",
    "email": "guest@example.org",
    "password1": "nine wet slates",
    "password2": "nine wet slates",
    "units": "metric",
    "device_zone": "Europe/Lisbon",
}


@pytest.fixture
def offer(household: Household, owner: User) -> Offer:
    return invitations.invite(
        household=household, email="guest@example.org", role="keeper", by=owner
    )


@pytest.fixture
def guest(db: None) -> User:
    """The one who is invited: signed up, with a household of their own."""
    person = User.objects.create_user("guest@example.org", name="Gesa")
    Household.found(owner=person, name="Gesa’s")
    return person


def where(offer: Offer) -> str:
    return f"/join/{offer.secret}/"


def sign_up_at(offer: Offer) -> str:
    return f"/account/signup/?invitation={offer.secret}"


def test_works_for_one_with_an_account(offer: Offer, guest: User, household: Household) -> None:
    client = signed_in(guest)
    page = client.get(where(offer))
    for words in ("Join Fern Street", "Odile invites you", "a keeper, who sees and logs",
                  "guest@example.org", "in 7 days", "You keep your place in Gesa’s"):  # fmt: skip
        assertContains(page, words)
    assert not household.people.contains(guest)  # looking changes nothing
    assertRedirects(client.post(where(offer)), "/", fetch_redirect_response=False)
    place = household.memberships.get(person=guest)
    assert place.role == Membership.Role.KEEPER
    page = client.get("/household/")
    assertContains(page, "You belong to Fern Street now, as a keeper.")
    assertContains(page, "<h1>Fern Street</h1>")
    assertContains(page, "Gesa’s")  # the way back to their own
    event = household.events.first()
    assert (event.by, event.says) == (guest, "Gesa joined as a keeper")
    offer.invitation.refresh_from_db()
    assert offer.invitation.used_by == guest
    assert offer.invitation.used_at is not None


def test_works_for_one_without_an_account(
    client: Client, offer: Offer, household: Household
) -> None:
    page = client.get(where(offer))
    assertContains(page, "Odile invites you")
    assertContains(page, f'href="{sign_up_at(offer)}"')
    page = client.get(sign_up_at(offer))
    assertContains(page, "Sign up and join Fern Street")
    assertContains(page, 'value="guest@example.org"')
    assertContains(page, f'name="invitation" value="{offer.secret}"')
    answer = client.post("/account/signup/", {**SIGN_UP, "invitation": offer.secret})
    assertRedirects(answer, "/", fetch_redirect_response=False)
    person = User.objects.get(email="guest@example.org")
    assert [(p.household, p.role) for p in person.memberships.all()] == [(household, "keeper")]
    assert (person.name, person.units) == ("Gesa", "metric")
    assert Household.objects.count() == 1
    household.refresh_from_db()
    assert household.time_zone == "UTC"  # the household keeps its own
    assertContains(client.get("/household/"), "You belong to Fern Street now.")
    assert household.events.first().says == "Gesa joined as a keeper"


def test_who_holds_the_secret_has_proven_the_address(
    client: Client, offer: Offer, settings: Settings
) -> None:
    """Where addresses have to be confirmed, the mail with the link was the confirmation."""
    settings.ACCOUNT_EMAIL_VERIFICATION = "mandatory"
    client.post("/account/signup/", {**SIGN_UP, "invitation": offer.secret})
    assert mail.outbox == []
    person = User.objects.get(email="guest@example.org")
    assert person.emailaddress_set.get().verified
    assertContains(client.get("/household/"), "<h1>Fern Street</h1>")


def test_without_an_invitation_the_address_is_still_to_be_confirmed(
    client: Client, offer: Offer, settings: Settings
) -> None:
    settings.ACCOUNT_EMAIL_VERIFICATION = "mandatory"
    client.post("/account/signup/", SIGN_UP)
    assert len(mail.outbox) == 1
    assert not User.objects.get(email="guest@example.org").emailaddress_set.get().verified


def test_the_way_by_sign_in_leads_back(client: Client, offer: Offer, guest: User) -> None:
    guest.set_password("nine wet slates")
    guest.save()
    assertContains(client.get(where(offer)), f'href="/account/login/?next=/join/{offer.secret}/"')
    answer = client.post(
        "/account/login/",
        {"login": guest.email, "password": "nine wet slates", "next": where(offer)},
    )
    assertRedirects(answer, where(offer))


def test_a_press_while_signed_out_leads_to_sign_in(client: Client, offer: Offer) -> None:
    answer = client.post(where(offer))
    assertRedirects(answer, f"/account/login/?next=/join/{offer.secret}/")


def test_another_person_is_told_so_and_not_let_in(
    as_stranger: Client, offer: Offer, household: Household, stranger: User
) -> None:
    page = as_stranger.get(where(offer))
    for words in ("This invitation is for somebody else", "guest@example.org",
                  "stranger@example.org", "sign out and open the link again"):  # fmt: skip
        assertContains(page, words)
    assertNotContains(page, "Fern Street")
    refused = as_stranger.post(where(offer))
    assertContains(refused, "This invitation was sent to another address.", status_code=403)
    assert not household.people.contains(stranger)
    offer.invitation.refresh_from_db()
    assert offer.invitation.used_at is None


@pytest.mark.parametrize(("verified", "status"), [(True, 302), (False, 403)])
def test_a_second_address_counts_once_it_is_confirmed(
    as_stranger: Client, offer: Offer, stranger: User, verified: bool, status: int
) -> None:
    stranger.emailaddress_set.create(email="guest@example.org", verified=verified)
    assert as_stranger.post(where(offer)).status_code == status


def test_works_once(offer: Offer, guest: User, household: Household) -> None:
    signed_in(guest).post(where(offer))
    page = Client().get(where(offer))
    assertContains(page, "This invitation was used", status_code=410)
    assertContains(Client().get(sign_up_at(offer)), "a household of your own")
    people.remove(household.memberships.get(person=guest), by=offer.invitation.made_by)
    page = signed_in(guest).post(where(offer))  # taken out, the old link is no way back in
    assertContains(page, "This invitation was used", status_code=410)
    assert not household.people.contains(guest)


def test_one_who_is_in_already_is_told_so(offer: Offer, guest: User, household: Household) -> None:
    client = signed_in(guest)
    client.post(where(offer))
    assertContains(client.get(where(offer)), "You are in already")
    assertRedirects(client.post(where(offer)), "/", fetch_redirect_response=False)
    assertContains(client.get("/household/"), "You belong to Fern Street already.")
    assert household.events.filter(says__contains="joined").count() == 1


@pytest.mark.parametrize(("days", "status"), [(6.99, 200), (7.0, 410), (300.0, 410)])
def test_works_for_seven_days(offer: Offer, days: float, status: int) -> None:
    with time_machine.travel(offer.invitation.made_at + dt.timedelta(days=days), tick=False):
        page = Client().get(where(offer))
    assert page.status_code == status
    assertContains(page, "Sign up and join" if status == 200 else "has run out", status_code=status)


def test_runs_out_for_the_signed_in_too(offer: Offer, guest: User, household: Household) -> None:
    offer.invitation.expires_at = timezone.now()
    offer.invitation.save()
    for ask in (signed_in(guest).get, signed_in(guest).post):
        assertContains(ask(where(offer)), "has run out", status_code=410)
    assert not household.people.contains(guest)


@pytest.mark.parametrize("secret", ["x", "0" * 43, "-", "é", "a%00b", "../../etc"])
def test_an_unknown_link_gives_a_calm_page(client: Client, db: None, secret: str) -> None:
    if "/" not in secret:
        page = client.get(f"/join/{secret}/")
        assertContains(page, "There is no such invitation", status_code=404)
    assert client.get(f"/account/signup/?invitation={secret}").status_code == 200


def test_the_digest_opens_nothing(client: Client, offer: Offer) -> None:
    assert client.get(f"/join/{offer.invitation.digest}/").status_code == 404


def test_is_kept_by_no_cache(client: Client, offer: Offer) -> None:
    assert "no-store" in client.get(where(offer)).headers["Cache-Control"]


def test_sign_up_with_another_address_is_asked_about(
    client: Client, offer: Offer, household: Household
) -> None:
    typed = {**SIGN_UP, "email": "other@example.org", "invitation": offer.secret}
    page = client.post("/account/signup/", typed)
    assertContains(page, "The invitation went to guest@example.org.")
    assertContains(page, 'value="other@example.org"')
    assert not User.objects.filter(email="other@example.org").exists()
    offer.invitation.refresh_from_db()
    assert offer.invitation.used_at is None


def test_sign_up_by_a_link_that_went_stale_meanwhile_founds_a_household_the_second_time(
    client: Client, offer: Offer, owner: User
) -> None:
    typed = {**SIGN_UP, "invitation": offer.secret}
    invitations.revoke(offer.invitation, by=owner)
    page = client.post("/account/signup/", typed)
    assertContains(page, "was used, taken back or has run out in the meantime")
    assertContains(page, 'value="guest@example.org"')
    assert page.context["form"]["invitation"].value() == ""
    client.post("/account/signup/", {**typed, "invitation": ""})
    person = User.objects.get(email="guest@example.org")
    assert person.households.get().name == "Gesa’s household"


def test_sign_up_with_an_address_that_has_signed_up_before_lets_nobody_in(
    client: Client, offer: Offer, guest: User, household: Household
) -> None:
    client.post("/account/signup/", {**SIGN_UP, "invitation": offer.secret})
    assert User.objects.filter(email="guest@example.org").count() == 1
    assert not household.people.contains(guest)
    offer.invitation.refresh_from_db()
    assert offer.invitation.used_at is None


def test_an_invitation_from_one_who_is_gone_names_nobody(
    client: Client, offer: Offer, household: Household
) -> None:
    offer.invitation.made_by = None
    offer.invitation.save()
    assertContains(client.get(where(offer)), "You are invited to look after the water")
