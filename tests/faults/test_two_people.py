"""Two people who do the same thing at the same moment, in threads on a database that they share.

Each pair is made to meet: whoever comes first is held up between looking and writing. Without the
lock on the row that both want, the other would look at what the first had not yet written.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse
from pytest_django import Settings

from cartridges.models import Cartridge, CartridgeSpec, Fitting, Train
from cartridges.services import acts, placements
from cartridges.views import log as log_views
from hobbyhydro.households import invitations, people
from hobbyhydro.households.models import Household, Invitation, Membership, User
from tests.cartridges.by_hand import ago, clock, shown
from tests.conftest import signed_in
from tests.trains import build_train

pytestmark = [pytest.mark.django_db(transaction=True)]

HELD_UP_S = 0.3
TOGETHER_S = 30


@pytest.fixture(autouse=True)
def ready(shared_database: Any, settings: Settings) -> None:
    """Each thread with a connection of its own, and a quick estimate after each swap."""
    settings.MODEL_MEMBERS = 256


def at_once(*doings: Callable[[], Any]) -> list[Any]:
    """Do all of them at one moment, each in a thread; what each returned or raised, in order."""
    start = threading.Barrier(len(doings))

    def run(doing: Callable[[], Any]) -> Any:
        try:
            start.wait(TOGETHER_S)
            return doing()
        except Exception as raised:
            return raised
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(doings)) as pool:
        return [future.result(TOGETHER_S) for future in [pool.submit(run, d) for d in doings]]


def hold_up(monkeypatch: pytest.MonkeyPatch, where: Any, name: str) -> None:
    """Let that function take its time once it has looked."""
    real = getattr(where, name)

    def slow(*args: Any, **named: Any) -> Any:
        found = real(*args, **named)
        time.sleep(HELD_UP_S)
        return found

    monkeypatch.setattr(where, name, slow)


def hold_up_writing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let time pass between the weighing of a log form and the writing of its facts."""
    real = log_views.write

    def slow(*args: Any, **named: Any) -> Any:
        time.sleep(HELD_UP_S)
        return real(*args, **named)

    monkeypatch.setattr(log_views, "write", slow)


def said(client: Client, answer: Any) -> str:
    """What somebody is told: on the page that came back, or on the one they are led to."""
    assert not isinstance(answer, Exception), repr(answer)
    if answer.status_code == 200:
        return str(answer.context["form"].errors)
    assert answer.status_code == 302
    page = client.get(answer.headers["Location"], follow=True)
    return " ".join(str(message) for message in page.context["messages"])


def both_log(
    monkeypatch: pytest.MonkeyPatch, two: dict[str, Client], where: str, typed: list[dict[str, Any]]
) -> dict[str, str]:
    """Both open the page, both send it at one moment; what each is told."""
    forms = [shown(client, where) | more for client, more in zip(two.values(), typed, strict=True)]
    hold_up_writing(monkeypatch)
    answers = at_once(
        *(
            lambda client=client, form=form: client.post(where, form)
            for client, form in zip(two.values(), forms, strict=True)
        )
    )
    return {
        name: said(client, answer)
        for (name, client), answer in zip(two.items(), answers, strict=True)
    }


def one_saved_and_one_told(told: dict[str, str]) -> None:
    """Exactly one was saved, and the other was told whose that was."""
    saved = [name for name, words in told.items() if "Saved" in words]
    assert len(saved) == 1, told
    [other] = set(told) - set(saved)
    assert saved[0] in told[other], told
    assert "logged" in told[other]
    assert "Nothing was saved now" in told[other] or "not saved a second time" in told[other]


@pytest.fixture
def two(owner: User, keeper: User) -> dict[str, Client]:
    return {"Odile": signed_in(owner), "Kasimir": signed_in(keeper)}


@pytest.mark.parametrize("minutes_apart", [0, 1])
def test_one_swap_logged_by_two_people_is_one_swap(
    monkeypatch: pytest.MonkeyPatch, two: dict[str, Client], train: Train, minutes_apart: int
) -> None:
    stage = train.stages.get(position=2)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    [spare] = acts.buy(household=train.household, spec=spec)
    mine = {"stage": stage.pk, "cartridge": spare.pk}
    typed = [
        mine | {"at": clock(ago(minutes=5))},
        mine | {"at": clock(ago(minutes=5 - minutes_apart))},
    ]
    told = both_log(monkeypatch, two, reverse("log-fact", args=[train.pk, "swap"]), typed)
    one_saved_and_one_told(told)
    assert Fitting.objects.filter(stage=stage).count() == 2  # the first one, and this
    assert placements.in_service(train)[stage.pk].cartridge == spare


@pytest.mark.parametrize("minutes_apart", [0, 1])
def test_one_cartridge_bought_and_fitted_by_two_people_is_one_cartridge(
    monkeypatch: pytest.MonkeyPatch, two: dict[str, Client], train: Train, minutes_apart: int
) -> None:
    stage = train.stages.get(position=2)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    mine = {"stage": stage.pk, "cartridge": "new", "spec": spec.pk}
    typed = [
        mine | {"at": clock(ago(minutes=5))},
        mine | {"at": clock(ago(minutes=5 - minutes_apart))},
    ]
    told = both_log(monkeypatch, two, reverse("log-fact", args=[train.pk, "swap"]), typed)
    one_saved_and_one_told(told)
    assert Cartridge.objects.count() == 4
    assert Fitting.objects.filter(stage=stage).count() == 2


def test_one_rotation_logged_by_two_people_is_one_rotation(
    monkeypatch: pytest.MonkeyPatch, two: dict[str, Client], owner: User, household: Household
) -> None:
    blocks = (("carbon_block", "block-slim"), ("carbon_block", "block-slim"))
    train = build_train(household, owner, kinds=blocks)
    first, second = train.stages.order_by("position")
    before = placements.in_service(train)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    [spare] = acts.buy(household=household, spec=spec)
    typed = [{"cartridge": spare.pk, "at": clock(ago(minutes=k))} for k in (5, 4)]
    told = both_log(monkeypatch, two, reverse("log-fact", args=[train.pk, "rotation"]), typed)
    one_saved_and_one_told(told)
    now = placements.in_service(train)
    assert now[first.pk].cartridge == before[second.pk].cartridge
    assert now[second.pk].cartridge == spare
    assert Fitting.objects.filter(train=train).count() == 4


@pytest.fixture
def offer(household: Household, owner: User) -> invitations.Offer:
    return invitations.invite(
        household=household, email="guest@example.org", role="keeper", by=owner
    )


def test_one_invitation_used_on_two_devices_at_once_gives_one_place(
    monkeypatch: pytest.MonkeyPatch, household: Household, offer: invitations.Offer
) -> None:
    guest = User.objects.create_user("guest@example.org", name="Gesa")
    phone, desk = signed_in(guest), signed_in(guest)
    hold_up(monkeypatch, invitations, "state_of")
    answers = at_once(
        lambda: phone.post(f"/join/{offer.secret}/"), lambda: desk.post(f"/join/{offer.secret}/")
    )
    told = sorted([said(phone, answers[0]), said(desk, answers[1])])
    assert told == [
        "You belong to Fern Street already.", "You belong to Fern Street now, as a keeper.",
    ]  # fmt: skip
    assert household.memberships.filter(person=guest).count() == 1
    assert household.events.filter(says="Gesa joined as a keeper").count() == 1


def test_an_invitation_taken_back_while_it_is_taken_up_is_one_or_the_other(
    monkeypatch: pytest.MonkeyPatch, household: Household, owner: User, offer: invitations.Offer
) -> None:
    guest = User.objects.create_user("guest@example.org", name="Gesa")
    hold_up(monkeypatch, people, "must_govern")
    hold_up(monkeypatch, invitations, "state_of")
    taken_back, joined = at_once(
        lambda: invitations.revoke(offer.invitation, by=owner),
        lambda: invitations.accept(offer.invitation, person=guest),
    )
    row = Invitation.objects.get()
    if isinstance(joined, invitations.InvitationGone):
        assert taken_back is None
        assert (row.used_at, household.people.contains(guest)) == (None, False)
        assert row.revoked_at is not None
    else:
        assert isinstance(taken_back, people.PeopleError)
        assert (row.revoked_at, household.people.contains(guest)) == (None, True)
        assert row.used_at is not None


def owns(household: Household) -> set[str]:
    return {str(p.person) for p in household.memberships.filter(role=Membership.Role.OWNER)}


@pytest.fixture
def two_owners(two: dict[str, Client], household: Household, keeper: User) -> dict[str, Client]:
    household.memberships.filter(person=keeper).update(role=Membership.Role.OWNER)
    return two


def test_two_owners_who_demote_each_other_leave_one(
    monkeypatch: pytest.MonkeyPatch,
    two_owners: dict[str, Client],
    household: Household,
    owner: User,
    keeper: User,
) -> None:
    odiles, kasimirs = (household.memberships.get(person=p) for p in (owner, keeper))
    hold_up(monkeypatch, people, "_leave_an_owner")
    by_odile, by_kasimir = at_once(
        lambda: two_owners["Odile"].post(
            f"/household/people/{kasimirs.pk}/role/", {"role": "viewer"}
        ),
        lambda: two_owners["Kasimir"].post(
            f"/household/people/{odiles.pk}/role/", {"role": "viewer"}
        ),
    )
    assert sorted([by_odile.status_code, by_kasimir.status_code]) == [302, 403]
    assert owns(household) == ({"Odile"} if by_odile.status_code == 302 else {"Kasimir"})
    assert household.events.count() == 1


def test_two_owners_who_leave_at_once_leave_one(
    monkeypatch: pytest.MonkeyPatch, two_owners: dict[str, Client], household: Household
) -> None:
    hold_up(monkeypatch, people, "_leave_an_owner")
    answers = at_once(*(lambda c=c: c.post("/household/leave/") for c in two_owners.values()))
    assert sorted(a.headers["Location"] for a in answers) == ["/", "/household/"]
    assert len(owns(household)) == 1
    assert household.memberships.count() == 1


def test_two_owners_who_hand_over_to_each_other_leave_one(
    monkeypatch: pytest.MonkeyPatch,
    two_owners: dict[str, Client],
    household: Household,
    owner: User,
    keeper: User,
) -> None:
    odiles, kasimirs = (household.memberships.get(person=p) for p in (owner, keeper))
    hold_up(monkeypatch, people, "_as_it_is_now")
    at_once(
        lambda: people.hand_over(odiles, to=kasimirs, then=people.GONE),
        lambda: people.hand_over(kasimirs, to=odiles, then=people.GONE),
    )
    assert len(owns(household)) == 1


def test_two_who_invite_one_person_send_one_link_that_works(
    monkeypatch: pytest.MonkeyPatch, two_owners: dict[str, Client], household: Household
) -> None:
    hold_up(monkeypatch, people, "member_by_email")
    typed = {"email": "guest@example.org", "role": "viewer"}
    answers = at_once(
        *(lambda c=c: c.post("/household/invite/", typed) for c in two_owners.values())
    )
    assert [a.status_code for a in answers] == [302, 302]
    assert Invitation.objects.count() == 2
    assert invitations.standing(household).count() == 1


def test_the_last_invitation_of_a_day_is_sent_once(
    monkeypatch: pytest.MonkeyPatch,
    two_owners: dict[str, Client],
    household: Household,
    owner: User,
) -> None:
    for k in range(invitations.A_DAY - 1):
        email = f"g{k}@example.org"
        invitations.invite(household=household, email=email, role="viewer", by=owner)
    hold_up(monkeypatch, invitations, "standing")
    answers = at_once(
        *(
            lambda name=name, c=c: c.post(
                "/household/invite/", {"email": f"{name}@example.org", "role": "viewer"}
            )
            for name, c in two_owners.items()
        )
    )
    assert sorted(a.status_code for a in answers) == [200, 302]
    assert Invitation.objects.count() == invitations.A_DAY
