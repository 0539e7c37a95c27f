"""What every form of the log has in common: who may, and what an open page does."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Note, Shutoff, Train
from cartridges.services import acts
from cartridges.services.logbook import KINDS
from hobbyhydro.households.models import User

from .by_hand import ACT_KINDS, address, ago, clock, errors, messages, send


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_act_works(as_keeper: Client, train: Train, kind: str) -> None:
    page = as_keeper.get(address(train, kind))
    assert page.status_code == 200
    assert 'method="post"' in page.content.decode()


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_act_needs_sign_in(client: Client, train: Train, kind: str) -> None:
    assert client.get(address(train, kind)).status_code == 302
    assert client.post(address(train, kind)).status_code == 302


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_act_needs_keeper(as_viewer: Client, train: Train, kind: str) -> None:
    before = _count()
    assert as_viewer.get(address(train, kind)).status_code == 403
    assert as_viewer.post(address(train, kind), {"text": "no"}).status_code == 403
    assert _count() == before


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_act_hides_from_strangers(as_stranger: Client, train: Train, kind: str) -> None:
    before = _count()
    assert as_stranger.get(address(train, kind)).status_code == 404
    assert as_stranger.post(address(train, kind), {"text": "no"}).status_code == 404
    assert _count() == before


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_act_rejects_other_methods(as_keeper: Client, train: Train, kind: str) -> None:
    assert as_keeper.put(address(train, kind)).status_code == 405
    assert as_keeper.delete(address(train, kind)).status_code == 405


def test_act_is_404_for_an_unknown_kind(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(address(train, "own-figure")).status_code == 404


@pytest.mark.parametrize("kind", ACT_KINDS)
@pytest.mark.parametrize("moment", ["yesterday", "2026-02-30T10:00", "0020-01-01T10:00"])
def test_a_date_that_is_none_is_refused(
    as_keeper: Client, train: Train, kind: str, moment: str
) -> None:
    response = as_keeper.post(address(train, kind), {"at": moment})
    assert "at" in errors(response)
    assert response.context["form"]["at"].value() == moment


def test_no_date_means_now(as_keeper: Client, train: Train) -> None:
    as_keeper.post(address(train, "note"), {"text": "x", "at": ""})
    assert abs((timezone.now() - Note.objects.get().at).total_seconds()) < 65


@pytest.mark.parametrize("kind", ACT_KINDS)
def test_the_future_is_refused(as_keeper: Client, train: Train, kind: str) -> None:
    ahead = clock(ago(days=-2))
    response = as_keeper.post(address(train, kind), {"at": ahead})
    assert "in the future" in errors(response)["at"][0]
    assert response.context["form"]["at"].value() == ahead


BEGIN = ("swap", "rotation", "restrictor")  # what a train begins with moves its start


@pytest.mark.parametrize("kind", [k for k in ACT_KINDS if k not in ("source-test", *BEGIN)])
def test_before_the_train_started_is_refused(as_keeper: Client, train: Train, kind: str) -> None:
    response = as_keeper.post(address(train, kind), {"at": clock(ago(days=61))})
    told = errors(response)["at"][0]
    first = train.fittings.order_by("at", "pk").first()
    assert "has been running since" in told
    assert f'<a href="/facts/swap/{first.pk}/correct/">fit the first cartridge earlier</a>' in told


def test_a_test_of_the_tap_may_be_older_than_the_train(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "source-test"), total_mg_l="1.8", at=ago(days=400))
    assert response.status_code == 302
    assert train.source.readings.filter(total_mg_l=1.8).count() == 1


def test_saving_leads_to_the_train_and_offers_undo(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "note"), text="A hiss at stage 2")
    assert response.headers["Location"] == reverse("train", args=[train.pk])
    said = messages(as_keeper, response)
    note = Note.objects.get()
    assert "Saved" in said and "A hiss at stage 2" in said
    assert f'action="{reverse("fact-undo", args=["note", note.pk])}"' in said
    assert note.logged_by is not None and str(note.logged_by) == "Kasimir"


def test_what_a_keeper_writes_is_never_markup(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "note"), text="<script>alert(1)</script>")
    assert "<script>alert" not in messages(as_keeper, response)


def test_saving_marks_the_train_for_recalculation(as_keeper: Client, train: Train) -> None:
    Train.objects.update(stale=False)
    send(as_keeper, address(train, "bucket-test"), volume_l="130", duration_s="60")
    train.refresh_from_db()
    assert train.stale  # never calculated before, so it is left to the page


def test_the_undo_button_carries_a_token_that_is_taken(train: Train, keeper: User) -> None:
    """With the check for forged requests on, as it is outside the tests."""
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
    page = strict.get(address(train, "note")).content.decode()
    token = page.split('name="csrfmiddlewaretoken" value="')[1].split('"')[0]
    strict.post(address(train, "note"), {"text": "x", "at": "", "csrfmiddlewaretoken": token})
    said = strict.get(reverse("train", args=[train.pk])).content.decode().split('class="said')[1]
    token = said.split('name="csrfmiddlewaretoken" value="')[1].split('"')[0]
    note = Note.objects.get()
    strict.post(reverse("fact-undo", args=["note", note.pk]), {"csrfmiddlewaretoken": token})
    note.refresh_from_db()
    assert not note.stands


def test_nothing_is_kept_when_the_act_fails_halfway(
    as_keeper: Client, train: Train, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*args: object, **kwargs: object) -> None:
        raise acts.ActError("cartridge", "It went wrong after the cartridge was bought.")

    before = _count(), train.household.cartridges.count()
    monkeypatch.setattr(acts, "swap", fail)
    stage = train.stages.get(position=2)
    spec = train.household.cartridges.first().spec
    response = send(
        as_keeper, address(train, "swap"), stage=stage.pk, cartridge="new", spec=spec.pk
    )
    response = _again(as_keeper, train, response)
    assert "went wrong" in str(errors(response)["cartridge"])
    assert (_count(), train.household.cartridges.count()) == before


def _again(client: Client, train: Train, response: object) -> object:
    """Send once more where the form asked back."""
    form = response.context["form"]  # type: ignore[attr-defined]  # a test response
    if not form.asks:
        return response
    data = {name: form[name].value() or "" for name in form.fields}
    return client.post(address(train, "swap"), data)


def _count() -> int:
    return sum(model.objects.count() for model in KINDS.values()) + Shutoff.objects.count()
