"""One chore: its page, its form, pause, removal, history."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import Train
from hobbyhydro.households.models import Household, User
from schedule.models import Chore
from schedule.services import chore_acts, chores, recurrence

DAY = dt.timedelta(days=1)
NEW = "/chores/new/"
POSTED = ("pause", "resume", "remove", "bring-back")


@pytest.fixture
def chore(household: Household) -> Chore:
    """Every Monday and Thursday, by a rule of the household's own."""
    return Chore.objects.create(
        household=household,
        title="Wipe the shelf",
        rule="FREQ=WEEKLY;BYDAY=MO,TH",
        start=timezone.localdate(),
    )


def address(chore: Chore, act: str = "") -> str:
    return reverse(f"chore-{act}" if act else "chore", args=[chore.pk])


def typed(**changes: str) -> dict[str, str]:
    """A chore as somebody fills the form in."""
    today = timezone.localdate().isoformat()
    filled = {"title": "Rinse", "when": "2-weeks", "start": today, "log_kind": "", "how": "Gently."}
    return filled | changes


def wrong(client: Client, where: str, **changes: str) -> dict[str, list[str]]:
    """What the form says; nothing may have been saved."""
    before = list(Chore.objects.order_by("pk").values())
    answer = client.post(where, typed(**changes))
    assert answer.status_code == 200
    assert list(Chore.objects.order_by("pk").values()) == before
    found: dict[str, list[str]] = answer.context["form"].errors
    return found


def test_new_works(as_keeper: Client, household: Household) -> None:
    assert as_keeper.get(NEW).status_code == 200
    page = as_keeper.post(NEW, typed(), follow=True).content.decode()
    made = Chore.objects.get()
    assert "Saved: Rinse, every 2 weeks." in page
    assert (made.household, made.rule, made.occasion) == (
        household,
        "FREQ=WEEKLY;INTERVAL=2",
        Chore.Occasion.INTERVAL,
    )


@pytest.mark.parametrize(("choice", "words"), recurrence.CHOICES)
def test_every_plain_choice_can_be_chosen(as_keeper: Client, choice: str, words: str) -> None:
    as_keeper.post(NEW, typed(when=choice))
    made = Chore.objects.get()
    assert recurrence.in_words(made.rule, start=made.start) == words
    shown = as_keeper.get(address(made, "edit")).context["form"]
    assert shown["when"].value() == choice


@pytest.mark.parametrize("occasion", ["swap", "switch", "last_tenth"])
def test_it_can_come_as_things_happen(as_keeper: Client, train: Train, occasion: str) -> None:
    as_keeper.post(NEW, typed(when=occasion, rule="FREQ=DAILY"))
    made = Chore.objects.get(title="Rinse")
    assert (made.occasion, made.rule, made.train) == (occasion, "", train)


def test_a_rule_of_ones_own_is_kept_and_shown_again(as_keeper: Client) -> None:
    as_keeper.post(NEW, typed(when="own", rule="freq=monthly; byday=1sa"))
    made = Chore.objects.get()
    assert made.rule == "FREQ=MONTHLY;BYDAY=1SA"
    form = as_keeper.get(address(made, "edit")).context["form"]
    assert (form["when"].value(), form["rule"].value()) == ("own", made.rule)


def test_edit_works(as_keeper: Client, chore: Chore) -> None:
    sent = typed(title="Wipe it well", when="monthly", start="2026-01-31")
    chore.start = dt.date(2026, 1, 31)
    chore.save(update_fields=["start"])
    assert as_keeper.post(address(chore, "edit"), sent).status_code == 302
    chore.refresh_from_db()
    assert chore.title == "Wipe it well"
    assert chore.rule == "FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1"


@pytest.mark.parametrize(
    ("changes", "field", "says"),
    [
        ({"title": "   "}, "title", "required"),
        ({"title": "x" * 121}, "title", "at most 120"),
        ({"when": "sometimes"}, "when", "not one of the available choices"),
        ({"when": "own", "rule": ""}, "rule", "Write a rule"),
        ({"when": "own", "rule": "every other Tuesday"}, "rule", "not a part of a rule"),
        ({"when": "own", "rule": "FREQ=HOURLY"}, "rule", "falls on days"),
        ({"start": "31/03/2026"}, "start", "Write it like 2026-03-31"),
        ({"start": ""}, "start", "required"),
        ({"start": "1926-01-01"}, "start", "from two years back"),
        ({"start": "2126-01-01"}, "start", "five years ahead"),
        ({"log_kind": "telepathy"}, "log_kind", "not one of the available choices"),
        ({"how": "x" * 1001}, "how", "at most 1000"),
    ],
)
@pytest.mark.parametrize("where", ["new", "edit"])
def test_keeps_what_was_typed(
    as_keeper: Client, chore: Chore, where: str, changes: dict[str, str], field: str, says: str
) -> None:
    path = NEW if where == "new" else address(chore, "edit")
    assert says in " ".join(wrong(as_keeper, path, **changes)[field])
    page = as_keeper.post(path, typed(**changes, **({} if "how" in changes else {"how": "<b>"})))
    if "how" not in changes:
        assert "&lt;b&gt;" in page.content.decode()


def test_logging_needs_a_train(as_keeper: Client) -> None:
    assert "Choose the train" in str(wrong(as_keeper, NEW, log_kind="outlet-test"))


def test_with_one_train_nobody_is_asked_for_it(as_keeper: Client, train: Train) -> None:
    assert "train" not in as_keeper.get(NEW).context["form"].fields
    as_keeper.post(NEW, typed(log_kind="outlet-test"))
    assert Chore.objects.get(title="Rinse").train == train


def test_a_train_of_another_household_cannot_be_chosen(
    as_keeper: Client, household: Household, train: Train, stranger: User
) -> None:
    second = Train.objects.create(
        household=household, source=train.source, started_at=timezone.now(),
        set_up_at=timezone.now(),
    )  # fmt: skip
    elsewhere = stranger.households.get()
    source = elsewhere.sources.create()
    theirs = Train.objects.create(
        household=elsewhere, source=source, started_at=timezone.now(), set_up_at=timezone.now()
    )
    assert "train" in wrong(as_keeper, NEW, train=str(theirs.pk))
    as_keeper.post(NEW, typed(train=str(second.pk)))
    assert Chore.objects.get(title="Rinse").train == second


def test_a_swap_chore_is_not_done_by_logging_a_swap(as_keeper: Client, train: Train) -> None:
    found = wrong(as_keeper, NEW, when="swap", log_kind="swap")
    assert "The swap is logged already" in str(found["log_kind"])


def test_page_works(as_viewer: Client, chore: Chore, owner: User) -> None:
    chore.start = timezone.localdate() - 14 * DAY
    chore.save(update_fields=["start"])
    chores.due(chore.household, today=timezone.localdate(), days_ahead=0)
    chore_acts.skip(chore.turns.get(), by=owner, reason="the shelf was away")
    page = as_viewer.get(address(chore)).content.decode()
    assert "By the rule FREQ=WEEKLY;BYDAY=MO,TH" in page
    assert "the shelf was away" in page and "Odile" in page
    assert "Comes next" in page


def test_pause_resume_remove_and_bring_back_work(as_keeper: Client, chore: Chore) -> None:
    for act, state in (
        ("pause", (True, False)),
        ("resume", (False, False)),
        ("remove", (False, True)),
        ("bring-back", (False, False)),
    ):
        assert as_keeper.post(address(chore, act)).status_code == 302
        chore.refresh_from_db()
        assert (chore.paused, chore.removed_at is not None) == state
        assert as_keeper.get(address(chore)).status_code == 200


@pytest.mark.parametrize("act", ["edit", *POSTED])
def test_needs_keeper(as_viewer: Client, chore: Chore, act: str) -> None:
    assert as_viewer.post(address(chore, act), typed()).status_code == 403
    chore.refresh_from_db()
    assert chore.title == "Wipe the shelf" and not chore.paused and chore.removed_at is None


def test_new_needs_keeper(as_viewer: Client, household: Household) -> None:
    assert as_viewer.get(NEW).status_code == 403
    assert as_viewer.post(NEW, typed()).status_code == 403
    assert not Chore.objects.exists()


@pytest.mark.parametrize("act", ["", "edit", *POSTED])
def test_hides_from_strangers(as_stranger: Client, chore: Chore, act: str) -> None:
    ask = as_stranger.post if act in POSTED else as_stranger.get
    assert ask(address(chore, act)).status_code == 404


@pytest.mark.parametrize("act", POSTED)
def test_rejects_get(as_keeper: Client, chore: Chore, act: str) -> None:
    assert as_keeper.get(address(chore, act)).status_code == 405
