"""One fact: its page, its history, its correction, undo, and the undo taken back."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import (
    Disinfectant,
    Fact,
    Fitting,
    MeterReading,
    Note,
    Shutoff,
    SwitchPeriod,
    Train,
)
from cartridges.services import acts
from cartridges.services.logbook import KINDS, facts_of
from hobbyhydro.households.models import User
from tests.trains import L_PER_GAL

from .by_hand import ago, errors, messages, send, shown

VIEWS = ("fact", "fact-correct", "fact-undo", "fact-redo")


@pytest.fixture
def note(train: Train, owner: User) -> Note:
    """A note of Odile's, two days old."""
    return acts.log(Note(train=train, text="drp at the tee", at=ago(days=2)), by=owner)


def where(fact: Fact, view: str = "fact") -> str:
    return reverse(view, args=[fact.KIND, fact.pk])


def text_of(client: Client, address: str) -> str:
    return client.get(address).content.decode()


def test_fact_works(as_keeper: Client, note: Note) -> None:
    page = text_of(as_keeper, where(note))
    assert "drp at the tee" in page and "by Odile" in page and "2 days ago" in page


def test_every_fact_of_a_train_has_a_page(as_keeper: Client, train: Train) -> None:
    pages = [where(row) for rows in facts_of(train).values() for row in rows]
    assert len(pages) >= 8
    assert {as_keeper.get(page).status_code for page in pages} == {200}


@pytest.mark.parametrize("view", VIEWS)
def test_fact_needs_sign_in(client: Client, note: Note, view: str) -> None:
    assert client.get(where(note, view)).status_code == 302
    assert client.post(where(note, view)).status_code == 302
    assert Note.objects.standing().count() == 1


@pytest.mark.parametrize("view", VIEWS)
def test_fact_hides_from_strangers(as_stranger: Client, note: Note, view: str) -> None:
    method = as_stranger.post if view in ("fact-undo", "fact-redo") else as_stranger.get
    assert method(where(note, view)).status_code == 404
    assert Note.objects.standing().count() == 1


def test_fact_may_be_seen_but_not_changed_by_a_viewer(as_viewer: Client, note: Note) -> None:
    page = text_of(as_viewer, where(note))
    assert "drp at the tee" in page
    assert "Undo" not in page and "Correct" not in page


@pytest.mark.parametrize("view", ["fact-correct", "fact-undo", "fact-redo"])
def test_fact_needs_keeper(as_viewer: Client, note: Note, view: str) -> None:
    if view == "fact-correct":
        assert as_viewer.get(where(note, view)).status_code == 403
    assert as_viewer.post(where(note, view), {"text": "x"}).status_code == 403
    assert Note.objects.standing().get() == note


@pytest.mark.parametrize("view", ["fact-undo", "fact-redo"])
def test_fact_rejects_get(as_keeper: Client, note: Note, view: str) -> None:
    assert as_keeper.get(where(note, view)).status_code == 405


@pytest.mark.parametrize("view", VIEWS)
def test_fact_of_no_kind_is_404(as_keeper: Client, note: Note, view: str) -> None:
    address = reverse(view, args=["rotation", note.pk])
    method = as_keeper.post if view in ("fact-undo", "fact-redo") else as_keeper.get
    assert method(address).status_code == 404


def test_correction_works(as_keeper: Client, note: Note) -> None:
    response = send(as_keeper, where(note, "fact-correct"), text="drip at the tee", why="misspelt")
    fresh = Note.objects.standing().get()
    assert response.headers["Location"] == where(fresh)
    said = messages(as_keeper, response)
    assert "Corrected" in said and "The old entry is kept" in said
    page = text_of(as_keeper, where(fresh))
    assert "drp at the tee" in page and "“misspelt”" in page
    assert "logged" in page and "by Odile" in page
    assert "corrected" in page and "by Kasimir" in page


def test_correction_keeps_when_it_happened(as_keeper: Client, note: Note) -> None:
    send(as_keeper, where(note, "fact-correct"), text="drip")
    assert Note.objects.standing().get().at == note.at


def test_correction_keeps_what_was_typed(as_keeper: Client, note: Note) -> None:
    response = send(as_keeper, where(note, "fact-correct"), text="", why="mistake", at=ago(days=3))
    assert "text" in errors(response)
    form = response.context["form"]
    assert form["why"].value() == "mistake"
    assert Note.objects.count() == 1


def test_correction_that_changes_nothing_is_not_kept(as_keeper: Client, note: Note) -> None:
    response = send(as_keeper, where(note, "fact-correct"), why="no reason")
    assert "Nothing is different yet" in str(errors(response))
    assert Note.objects.count() == 1


def test_every_standing_fact_comes_back_unchanged(as_keeper: Client, train: Train) -> None:
    """Whatever the units, opening a correction and saving it untouched changes nothing."""
    for kind, rows in facts_of(train).items():
        for row in rows:
            if kind in ("disinfectant-switch", "own-figure"):
                continue
            response = send(as_keeper, where(row, "fact-correct"))
            assert "Nothing is different yet" in str(errors(response)), (kind, row)


def test_the_old_version_leads_to_what_holds(as_keeper: Client, note: Note) -> None:
    send(as_keeper, where(note, "fact-correct"), text="drip")
    fresh = Note.objects.standing().get()
    page = text_of(as_keeper, where(note))
    assert f'href="{where(fresh)}"' in page and "Corrected since" in page
    assert "Take the undo back" not in page


def test_two_people_do_not_correct_one_entry_twice(
    as_keeper: Client, as_owner: Client, note: Note
) -> None:
    seen = shown(as_keeper, where(note, "fact-correct")) | {"text": "mine"}
    send(as_owner, where(note, "fact-correct"), text="theirs")
    response = as_keeper.post(where(note, "fact-correct"), seen)
    assert response.headers["Location"] == where(note)
    assert "does not hold any more" in messages(as_keeper, response)
    assert [n.text for n in Note.objects.standing()] == ["theirs"]


def test_undo_works(as_keeper: Client, train: Train, note: Note) -> None:
    response = as_keeper.post(where(note, "fact-undo"), {"why": "it was dew"})
    assert response.headers["Location"] == reverse("train", args=[train.pk])
    said = messages(as_keeper, response)
    assert "Undone" in said and where(note, "fact-redo") in said
    note.refresh_from_db()
    assert not note.stands and note.withdrawn_why == "it was dew"
    assert str(note.withdrawn_by) == "Kasimir"
    page = text_of(as_keeper, where(note))
    assert "log-struck" in page and "“it was dew”" in page and "Take the undo back" in page


def test_undo_twice_is_undone_once(as_keeper: Client, note: Note) -> None:
    as_keeper.post(where(note, "fact-undo"), {"why": "first"})
    response = as_keeper.post(where(note, "fact-undo"), {"why": "second"})
    assert "already" in messages(as_keeper, response)
    note.refresh_from_db()
    assert note.withdrawn_why == "first"


def test_redo_works(as_keeper: Client, note: Note) -> None:
    as_keeper.post(where(note, "fact-undo"))
    response = as_keeper.post(where(note, "fact-redo"), {"from": "fact"})
    assert response.headers["Location"] == where(note)
    assert "It holds again" in messages(as_keeper, response)
    note.refresh_from_db()
    assert note.stands


def test_redo_of_what_holds_says_so(as_keeper: Client, note: Note) -> None:
    assert "holds already" in messages(as_keeper, as_keeper.post(where(note, "fact-redo")))


def test_undoing_a_correction_brings_the_old_entry_back(as_keeper: Client, note: Note) -> None:
    send(as_keeper, where(note, "fact-correct"), text="drip")
    fresh = Note.objects.standing().get()
    assert "Undo the correction" in text_of(as_keeper, where(fresh))
    as_keeper.post(where(fresh, "fact-undo"))
    assert Note.objects.standing().get() == note
    as_keeper.post(where(fresh, "fact-redo"))
    assert Note.objects.standing().get() == fresh


def test_redo_under_a_correction_is_refused(as_keeper: Client, note: Note) -> None:
    send(as_keeper, where(note, "fact-correct"), text="drip")
    response = as_keeper.post(where(note, "fact-redo"))
    assert "correction stands in its place" in messages(as_keeper, response)
    assert Note.objects.standing().count() == 1


def test_correcting_again_after_an_undone_correction(as_keeper: Client, note: Note) -> None:
    send(as_keeper, where(note, "fact-correct"), text="dropp")
    as_keeper.post(where(Note.objects.standing().get(), "fact-undo"))
    response = send(as_keeper, where(note, "fact-correct"), text="drip")
    assert response.status_code == 302
    fresh = Note.objects.standing().get()
    assert fresh.text == "drip"
    page = text_of(as_keeper, where(fresh))
    assert "dropp" in page and "drp at the tee" in page


def reading(train: Train, gallons: float, at: dt.datetime, by: User) -> MeterReading:
    meter = train.meters.get()
    return acts.log(
        MeterReading(train=train, meter=meter, at=at, reading_l=gallons * L_PER_GAL), by=by
    )


def test_redo_that_would_contradict_is_refused(
    as_keeper: Client, train: Train, owner: User
) -> None:
    at = ago(days=1)
    first = reading(train, 2900, at, owner)
    acts.undo(first, by=owner)
    second = reading(train, 2950, at, owner)
    response = as_keeper.post(where(first, "fact-redo"))
    assert "Two readings would stand" in messages(as_keeper, response)
    assert list(MeterReading.objects.standing().filter(at=at)) == [second]


def test_undo_that_would_leave_a_falling_meter_is_refused(
    as_keeper: Client, train: Train, owner: User
) -> None:
    """The roll-over is told by the reading that is to be undone; a later one rests on it."""
    train.meters.update(rolls_over_at_l=3000 * L_PER_GAL)
    rolled = reading(train, 40, ago(days=2), owner)
    MeterReading.objects.filter(pk=rolled.pk).update(rolled_over=True)
    later = reading(train, 90, ago(days=1), owner)
    response = as_keeper.post(where(rolled, "fact-undo"))
    said = messages(as_keeper, response)
    assert "was not undone" in said and "would fall from 2,250" in said
    rolled.refresh_from_db()
    assert rolled.stands
    as_keeper.post(where(later, "fact-undo"))
    as_keeper.post(where(rolled, "fact-undo"))
    rolled.refresh_from_db()
    assert not rolled.stands


def test_redo_of_an_overlapping_shut_off_is_refused(
    as_keeper: Client, train: Train, owner: User
) -> None:
    first = acts.shut_off(train=train, at=ago(days=5), until=ago(days=3), by=owner)
    acts.undo(first, by=owner)
    acts.shut_off(train=train, at=ago(days=4), by=owner)
    response = as_keeper.post(where(first, "fact-redo"))
    assert "two shut-offs would overlap" in messages(as_keeper, response)
    assert Shutoff.objects.standing().get().at == ago(days=4)


def test_an_undo_marks_the_train_for_recalculation(
    as_keeper: Client, train: Train, note: Note
) -> None:
    Train.objects.update(stale=False)
    as_keeper.post(where(note, "fact-undo"))
    train.refresh_from_db()
    assert train.stale


def test_what_was_one_act_says_so(as_keeper: Client, train: Train, owner: User) -> None:
    spec = train.household.cartridges.last().spec
    [new] = acts.buy(household=train.household, spec=spec)
    first, second = acts.rotate(train=train, at=ago(days=1), by=owner, new_cartridge=new)
    page = text_of(as_keeper, where(first))
    assert "Together with" in page and where(second) in page and "Undo all of it" in page
    as_keeper.post(where(first, "fact-undo"))
    assert not Fitting.objects.standing().filter(act=first.act).exists()


def test_an_act_with_a_correction_in_it_is_undone_whole(
    as_keeper: Client, train: Train, owner: User
) -> None:
    spec = train.household.cartridges.last().spec
    [new] = acts.buy(household=train.household, spec=spec)
    first, second = acts.rotate(train=train, at=ago(days=1), by=owner, new_cartridge=new)
    acts.correct(second, by=owner, why="", remark="O-ring replaced")
    as_keeper.post(where(first, "fact-undo"))
    assert not Fitting.objects.standing().filter(act=first.act).exists()


def test_facts_of_the_source_have_pages_too(as_keeper: Client, train: Train, owner: User) -> None:
    switch = acts.log(
        SwitchPeriod(
            source=train.source, at=ago(days=20), until=ago(days=10),
            to=Disinfectant.FREE_CHLORINE,
        ),
        by=owner,
    )  # fmt: skip
    page = text_of(as_keeper, where(switch))
    assert "Utility switches" in page
    assert f'href="{reverse("switch-correct", args=[switch.pk])}"' in page
    as_keeper.post(where(switch, "fact-undo"))
    assert not SwitchPeriod.objects.standing().exists()


def test_every_kind_is_listed_once() -> None:
    """The registry has every concrete kind of fact there is, under its own word."""

    def concrete(model: type[Fact]) -> list[type[Fact]]:
        found = [] if model._meta.abstract else [model]
        return found + [m for sub in model.__subclasses__() for m in concrete(sub)]

    assert sorted(KINDS) == sorted(model.KIND for model in concrete(Fact))
    assert all(KINDS[model.KIND] is model for model in concrete(Fact))


def test_fact_queries_do_not_grow(
    as_keeper: Client, train: Train, note: Note, owner: User, django_assert_max_num_queries: object
) -> None:
    for k in range(100):
        acts.log(Note(train=train, text=f"other {k}", at=ago(hours=k + 1)), by=owner)
    with django_assert_max_num_queries(13):  # type: ignore[operator]  # a pytest fixture
        as_keeper.get(where(note))
