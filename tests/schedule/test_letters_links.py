"""The links in letters: one errand, one person, and no change by looking."""

from __future__ import annotations

import datetime as dt
from urllib.parse import urlsplit

import pytest
import time_machine
from django.core import mail, signing
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, Membership, User
from schedule.models import Notice, NoticeKind, NoticeWishes
from schedule.services import links

from .letter_box import chore, round_at

DAY = dt.timedelta(days=1)


def notice_for(person: User, train: Train, **changes: object) -> Notice:
    values: dict[str, object] = {
        "thing": "swap:stage-1:cartridge-1",
        "kind": NoticeKind.DUE,
        "due_on": timezone.localdate(),
        "says": {"title": "Replace it", "path": f"/trains/{train.pk}/log/swap/?stage=2"},
    }
    return Notice.objects.create(
        person=person, household=train.household, train=train, **(values | changes)
    )


def path_of(address: str) -> str:
    return urlsplit(address).path


def link_for(person: User, train: Train) -> str:
    return path_of(links.to_do(notice_for(person, train)))


def writes(queries: CaptureQueriesContext) -> list[str]:
    """What was changed beside the visitor's own session."""
    found = [q["sql"] for q in queries.captured_queries]
    return [s for s in found if s.split()[0] in ("INSERT", "UPDATE", "DELETE")]


def test_link_works(train: Train, keeper: User, as_keeper: Client) -> None:
    answer = as_keeper.get(link_for(keeper, train))
    assert answer.status_code == 302
    assert answer["Location"] == f"/trains/{train.pk}/log/swap/?stage=2"
    assert as_keeper.get(answer["Location"]).status_code == 200


def test_link_changes_nothing(train: Train, keeper: User, as_keeper: Client) -> None:
    link = link_for(keeper, train)
    with CaptureQueriesContext(
        connection,
    ) as queries:
        for _ in range(3):
            as_keeper.get(link)
            as_keeper.head(link)
    assert writes(queries) == []


def test_link_rejects_post(train: Train, keeper: User, as_keeper: Client) -> None:
    assert as_keeper.post(link_for(keeper, train)).status_code == 405


def test_link_asks_to_sign_in_and_comes_back(train: Train, keeper: User, client: Client) -> None:
    link = link_for(keeper, train)
    answer = client.get(link)
    assert answer["Location"].startswith("/account/login/?next=/do/")
    client.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
    assert client.get(link)["Location"].startswith(f"/trains/{train.pk}/log/")


def test_link_is_for_one_person(train: Train, keeper: User, as_owner: Client) -> None:
    assert as_owner.get(link_for(keeper, train)).status_code == 404


def test_link_hides_from_strangers(train: Train, keeper: User, as_stranger: Client) -> None:
    assert as_stranger.get(link_for(keeper, train)).status_code == 404


def test_link_dies_with_the_membership(train: Train, keeper: User, as_keeper: Client) -> None:
    link = link_for(keeper, train)
    Membership.objects.filter(person=keeper).delete()
    assert as_keeper.get(link).status_code == 404


@pytest.mark.parametrize("change", [lambda s: s[:-2] + "AA", lambda s: "x" + s, lambda s: "x:y:z"])
def test_link_that_was_not_made_here_is_unknown(
    train: Train, keeper: User, as_keeper: Client, change: object
) -> None:
    signed = link_for(keeper, train).split("/")[2]
    assert callable(change)
    assert as_keeper.get(f"/do/{change(signed)}/").status_code == 404


def test_link_of_another_kind_is_unknown(train: Train, keeper: User, as_keeper: Client) -> None:
    stop = links.to_stop(train.household.memberships.get(person=keeper)).split("/")[-3]
    assert as_keeper.get(f"/do/{stop}/").status_code == 404
    forged = signing.dumps([keeper.pk, train.household_id, 1])  # another salt
    assert as_keeper.get(f"/do/{forged}/").status_code == 404


def test_link_grows_old(train: Train, keeper: User, as_keeper: Client) -> None:
    link = link_for(keeper, train)
    now = timezone.now()
    with time_machine.travel(now + 59 * DAY):
        assert as_keeper.get(link).status_code in (302, 200)
    with time_machine.travel(now + 61 * DAY):
        as_keeper.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
        page = as_keeper.get(link)
        assert page.status_code == 410 and "too old" in page.content.decode()


def test_link_of_what_is_done_says_so(train: Train, keeper: User, as_keeper: Client) -> None:
    notice = notice_for(keeper, train, lapsed_at=timezone.now())
    page = as_keeper.get(path_of(links.to_do(notice)))
    assert page.status_code == 200 and "No longer due" in page.content.decode()


def test_link_of_what_has_become_overdue_still_opens_the_form(
    train: Train, keeper: User, as_keeper: Client
) -> None:
    old = notice_for(keeper, train, lapsed_at=timezone.now(), kind=NoticeKind.NEARLY_DUE)
    notice_for(keeper, train, kind=NoticeKind.OVERDUE)
    assert as_keeper.get(path_of(links.to_do(old))).status_code == 302


def test_link_leads_a_viewer_to_what_they_may_see(
    train: Train, viewer: User, as_viewer: Client
) -> None:
    answer = as_viewer.get(link_for(viewer, train))
    assert answer["Location"] == f"/trains/{train.pk}/"
    assert as_viewer.get(answer["Location"]).status_code == 200


def test_link_goes_to_the_household_it_is_about(
    train: Train, keeper: User, as_keeper: Client
) -> None:
    """Somebody of two households follows a link of the one they do not stand in."""
    other = Household.found(owner=keeper, name="The cabin")
    as_keeper.post(f"/households/{other.pk}/switch/")
    page = as_keeper.get(link_for(keeper, train), follow=True)
    assert page.status_code == 200
    assert page.context["membership"].household == train.household


def test_link_in_a_letter_opens_the_form(household: Household, owner: User) -> None:
    now = timezone.now().replace(hour=12)
    made = chore(household, on=now.date())
    round_at(now)
    [line] = [s for s in str(mail.outbox[0].body).split() if "/do/" in s]
    client = Client()
    with time_machine.travel(now + dt.timedelta(hours=2)):
        client.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
        page = client.get(path_of(line), follow=True)
    assert page.status_code == 200 and made.title in page.content.decode()


# One click and no more mail


@pytest.fixture
def stop(household: Household, keeper: User) -> str:
    return path_of(links.to_stop(household.memberships.get(person=keeper)))


ONE_CLICK = {"List-Unsubscribe": "One-Click"}


def test_stop_works_without_sign_in_and_cookie(stop: str, keeper: User, owner: User) -> None:
    """RFC 8058, 3.2: the POST carries no cookies and no other credentials."""
    client = Client(enforce_csrf_checks=True)
    answer = client.post(stop, ONE_CLICK)
    assert answer.status_code == 200
    assert not NoticeWishes.objects.get(membership__person=keeper).by_email
    assert not NoticeWishes.objects.filter(membership__person=owner).exists()


def test_stop_works_as_a_mail_program_sends_it(stop: str, keeper: User) -> None:
    """RFC 8058, 3.1: also as multipart/form-data."""
    answer = Client(enforce_csrf_checks=True).generic(
        "POST", stop, b"List-Unsubscribe=One-Click", "application/x-www-form-urlencoded"
    )
    assert answer.status_code == 200
    assert not NoticeWishes.objects.get(membership__person=keeper).by_email


def test_stop_by_get_only_asks(stop: str, client: Client, keeper: User) -> None:
    """Programs that look at every link in a letter must not stop it."""
    with CaptureQueriesContext(connection) as queries:
        page = client.get(stop)
    assert page.status_code == 200 and "Stop the mail" in page.content.decode()
    assert writes(queries) == []
    assert not NoticeWishes.objects.exists()


def test_stop_by_a_post_that_does_not_mean_it_changes_nothing(stop: str, client: Client) -> None:
    assert client.post(stop, {}).status_code == 400
    assert not NoticeWishes.objects.exists()


def test_stop_stops_this_household_alone(
    stop: str, household: Household, keeper: User, client: Client
) -> None:
    other = Household.found(owner=keeper, name="The cabin")
    client.post(stop, ONE_CLICK)
    now = timezone.now().replace(hour=12)
    chore(household, on=now.date())
    chore(other, on=now.date(), title="Empty the lines")
    round_at(now)
    assert [m.subject.split(" today")[0] for m in mail.outbox if m.to == [keeper.email]] == [
        "Empty the lines"
    ]


def test_stop_keeps_the_other_wishes(stop: str, household: Household, keeper: User) -> None:
    place = household.memberships.get(person=keeper)
    NoticeWishes.objects.create(membership=place, hour=21, lead_days=3)
    Client().post(stop, ONE_CLICK)
    kept = NoticeWishes.objects.get(membership=place)
    assert (kept.hour, kept.lead_days, kept.by_email) == (21, 3, False)


def test_stop_that_was_not_made_here_is_unknown(stop: str, client: Client) -> None:
    assert client.post(stop.replace("/letters/", "/letters/x"), ONE_CLICK).status_code == 404


def test_stop_works_under_old_letters(stop: str, client: Client) -> None:
    with time_machine.travel(timezone.now() + 1000 * DAY):
        assert client.post(stop, ONE_CLICK).status_code == 200


def test_stop_of_somebody_who_left_is_unknown(stop: str, keeper: User, client: Client) -> None:
    Membership.objects.filter(person=keeper).delete()
    assert client.post(stop, ONE_CLICK).status_code == 404
