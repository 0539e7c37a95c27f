"""The page of chores: today, soon, later, done lately."""

from __future__ import annotations

import datetime as dt

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from cartridges.models import CartridgeSpec, Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, User
from schedule.models import Chore, PlannedSwap, PlannedVisit
from schedule.services import chore_acts, chores

DAY = dt.timedelta(days=1)
WHERE = "/chores/"


def own(household: Household, title: str, *, in_days: int = 0, **fields: object) -> Chore:
    start = timezone.localdate() + in_days * DAY
    values = {"rule": "FREQ=WEEKLY", "start": start} | fields
    return Chore.objects.create(household=household, title=title, **values)


def section(page: str, head: str) -> str:
    """The part of the page below that heading."""
    return page.split(f'id="{head}"')[1].split("</section>")[0]


def read(client: Client) -> str:
    answer = client.get(WHERE)
    assert answer.status_code == 200
    return answer.content.decode()


def test_works(as_keeper: Client, household: Household) -> None:
    own(household, "Wipe the shelf")
    own(household, "Check the clamps", in_days=5)
    own(household, "Oil the valve", in_days=20)
    page = read(as_keeper)
    assert "Wipe the shelf" in section(page, "now-head")
    assert "Check the clamps" in section(page, "soon-head")
    assert "Oil the valve" in section(page, "later-head")
    assert "1 to do today" in page


def test_is_calm_about_what_waits(as_keeper: Client, household: Household) -> None:
    own(household, "Wipe the shelf", in_days=-4)
    now = section(read(as_keeper), "now-head")
    assert "waiting for 4 days" in now
    assert "overdue" not in now.lower() and "late" not in now.lower()


def test_lists_each_chore_once_ahead(as_keeper: Client, household: Household) -> None:
    own(household, "Sniff the water", in_days=1, rule="FREQ=DAILY")
    page = read(as_keeper)
    ahead = section(page, "soon-head") + section(page, "later-head")
    assert ahead.count("<h3>") == 1


def test_a_chore_that_is_logged_leads_to_its_form(
    as_keeper: Client, household: Household, train: Train
) -> None:
    chore = own(household, "Read it", train=train, log_kind="meter-reading")
    now = section(read(as_keeper), "now-head")
    assert f'href="{reverse("log-fact", args=[train.pk, "meter-reading"])}"' in now
    assert reverse("chore-done", args=[chore.turns.get().pk]) in now  # done without logging


def test_a_swap_stands_among_the_chores_and_leads_to_its_form(
    as_keeper: Client, household: Household, train: Train
) -> None:
    stage, on = train.stages.get(position=2), timezone.localdate() + 3 * DAY
    visit = PlannedVisit.objects.create(
        train=train, on=on, computed_at=timezone.now(), fingerprint="x"
    )
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    PlannedSwap.objects.create(visit=visit, stage=stage, spec=spec, due_on=on)
    soon = section(read(as_keeper), "soon-head")
    assert "Replace the carbon block (stage 2)" in soon
    assert f"/trains/{train.pk}/log/swap/?stage={stage.pk}" in soon


def test_says_how_much_new_carbon_is_flushed(
    as_keeper: Client, household: Household, train: Train, keeper: User
) -> None:
    chores.due(household, today=timezone.localdate(), days_ahead=0)
    spec = CartridgeSpec.objects.get(starter_key="block-slim")
    assert spec.flush_volume_l is not None
    [fresh] = acts.buy(household=household, spec=spec)
    stage = train.stages.get(position=2)
    acts.swap(stage=stage, cartridge=fresh, at=timezone.now(), by=keeper)
    gallons = round(spec.flush_volume_l / 3.785411784)
    assert f"Stage 2: <strong>{gallons}\u00a0gal</strong>" in section(read(as_keeper), "now-head")
    keeper.units = "metric"
    keeper.save(update_fields=["units"])
    litres = round(spec.flush_volume_l)
    assert f"Stage 2: <strong>{litres}\u00a0L</strong>" in section(read(as_keeper), "now-head")


def test_what_was_done_lately_stands_below_and_can_be_taken_back(
    as_keeper: Client, household: Household, owner: User
) -> None:
    chore = own(household, "Wipe the shelf")
    chores.due(household, today=timezone.localdate(), days_ahead=0)
    turn = chore.turns.get()
    chore_acts.skip(turn, by=owner, reason="no cloth")
    lately = section(read(as_keeper), "lately-head")
    assert "Wipe the shelf" in lately and "by Odile: no cloth" in lately
    assert reverse("chore-reopen", args=[turn.pk]) in lately


def test_paused_and_removed_ones_are_listed_as_such(
    as_keeper: Client, household: Household
) -> None:
    own(household, "Wipe the shelf", paused=True)
    own(household, "Oil the valve", removed_at=timezone.now())
    page = read(as_keeper)
    assert "Nothing is due today." in page
    everything = section(page, "all-head")
    assert "paused" in everything and "removed" in everything


def test_viewer_sees_and_gets_no_buttons(as_viewer: Client, household: Household) -> None:
    own(household, "Wipe the shelf")
    page = read(as_viewer)
    assert "Wipe the shelf" in page
    main = page.split('<main id="main"')[1].split("</main>")[0]
    assert "<form" not in main and "chores/new" not in main


def test_shows_nothing_of_others(as_stranger: Client, household: Household) -> None:
    own(household, "Wipe the shelf")
    assert "Wipe the shelf" not in read(as_stranger)


def test_rejects_post(as_keeper: Client) -> None:
    assert as_keeper.post(WHERE).status_code == 405


def test_a_household_without_train_is_told_where_chores_come_from(as_keeper: Client) -> None:
    assert "The usual ones come with your first train" in read(as_keeper)


def test_costs_few_queries_however_many_chores(
    as_keeper: Client, household: Household, train: Train
) -> None:
    read(as_keeper)
    with CaptureQueriesContext(connection) as few:
        read(as_keeper)
    for k in range(15):
        own(household, f"Chore {k}", rule="FREQ=DAILY", in_days=-k)
    read(as_keeper)
    with CaptureQueriesContext(connection) as many:
        read(as_keeper)
    assert len(many) <= len(few) + 1  # the flush volumes are asked for where they are due
    assert len(many) <= 16
