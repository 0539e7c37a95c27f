"""The home page: one train, several, none; signed out; stale; recalculated."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cartridges.models import MeterReading, Note, OutletTest, Train
from cartridges.services import acts
from hobbyhydro.households.models import Household, Membership, User
from tests.conftest import signed_in
from tests.trains import build_train

from .estimate_rows import SUMMARY, estimate_train


@pytest.fixture
def estimated(train: Train) -> Train:
    """The train with rows of known figures: 50 days for the first carbon, 41 on the plan."""
    return estimate_train(train)


def text_of(client: Client, address: str = "/") -> str:
    response = client.get(address)
    assert response.status_code == 200
    return " ".join(response.content.decode().replace("\u00a0", " ").split())


def test_signed_out_sees_the_landing_page(client: Client, db: None) -> None:
    response = client.get("/")
    assert response.status_code == 200
    assert "households/landing.html" in [t.name for t in response.templates]


def test_without_a_train_a_keeper_is_led_to_the_set_up(as_keeper: Client) -> None:
    response = as_keeper.get("/")
    assert response.status_code == 302
    assert response["Location"] == reverse("setup-start")


def test_without_a_train_a_viewer_is_told_so(as_viewer: Client) -> None:
    assert "No water train yet" in text_of(as_viewer)


def test_one_train_is_the_home_page(as_keeper: Client, estimated: Train) -> None:
    page = text_of(as_keeper)
    assert estimated.name in page
    assert "Is the water safe now?" in page
    assert "What next, and by when?" in page
    assert "What changed?" in page
    assert page.count('<svg class="train-picture') == 2
    assert text_of(as_keeper, reverse("train", args=[estimated.pk])).count("train-picture") >= 2


def test_tells_the_next_act_days_date_why_and_how_sure(as_keeper: Client, estimated: Train) -> None:
    page = text_of(as_keeper)
    assert "Replace the carbon block (stage 2)" in page
    assert "in 41 days" in page
    assert "chloramine reaches your limit of 0.10 mg/L after stage 2 in 50 days" in page
    assert "Likely between 41 and 66 days." in page
    assert page.count("holds 8 of 10 modelled outcomes") == 1


@pytest.mark.parametrize(
    ("plan_by", "words"),
    [
        (5, "by which 1 in 20 would be spent, so it comes before the most likely one"),
        (10, "by which 1 in 10 would be spent, so it comes before the most likely one"),
        (25, "by which 1 in 4 would be spent, so it comes before the most likely one"),
        (50, "Planned for the most likely day: 1 in 2 would be spent by then."),
    ],
)
def test_says_why_the_planned_day_is_not_the_most_likely(
    as_keeper: Client, estimated: Train, plan_by: int, words: str
) -> None:
    estimated.summary |= {"plan_by": plan_by}
    estimated.save()
    page = text_of(as_keeper)
    assert words in page
    assert "days to plan for" in page


def test_logging_stands_before_the_drawing(as_keeper: Client, estimated: Train) -> None:
    page = text_of(as_keeper)
    assert page.index('id="changed-') < page.index("quick-log") < page.index("train-picture")


def test_only_the_first_doubt_stands_open(as_keeper: Client, estimated: Train) -> None:
    estimated.summary |= {"two_humped": True, "effective_members": 12.0}
    estimated.save()
    page = text_of(as_keeper)
    first, more, second = (
        page.index(words)
        for words in ("fall into two groups", "<summary>and 1 more", "these days are rough")
    )
    assert first < more < second < page.index("</details>", more)


def test_shows_outlet_contact_volume_and_both_lives(as_keeper: Client, estimated: Train) -> None:
    page = text_of(as_keeper)
    assert "0.02 mg/L, hardly ever above 0.06 mg/L; limit 0.10 mg/L" in page
    assert "4.2 min of 5 min" in page
    assert "8.4 min of 10 min" in page
    assert "2,906 gal" in page  # 11,000 L
    assert "6,000 gal, in 62 days" in page  # the package's 22,712 L
    assert "your limit comes first" in page


def test_shows_metric_to_a_metric_reader(as_keeper: Client, keeper: User, estimated: Train) -> None:
    keeper.units = "metric"
    keeper.save()
    page = text_of(as_keeper)
    assert "11,000 L" in page
    assert "189 L/day" in page
    assert "gal/day" not in page


def test_several_trains_get_a_card_each(
    as_keeper: Client, estimated: Train, household: Household, owner: User
) -> None:
    second = estimate_train(build_train(household, owner, name="Shrimp rack"))
    page = text_of(as_keeper)
    for train in (estimated, second):
        assert f'href="{reverse("train", args=[train.pk])}"' in page
    assert page.count("train-card") == 2
    assert household.name in page


def test_lists_what_changed_with_who_and_a_link(
    as_keeper: Client, estimated: Train, owner: User
) -> None:
    note = acts.log(
        Note(train=estimated, at=timezone.now(), text="Cleaned <the> strainer"), by=owner
    )
    estimate_train(estimated)
    page = text_of(as_keeper)
    assert "Cleaned &lt;the&gt; strainer" in page
    assert "Odile" in page
    assert reverse("fact", args=["note", note.pk]) in page


def test_leaves_out_what_was_undone(as_keeper: Client, estimated: Train, owner: User) -> None:
    note = acts.log(Note(train=estimated, at=timezone.now(), text="By mistake"), by=owner)
    acts.undo(note, by=owner)
    estimate_train(estimated)
    assert "By mistake" not in text_of(as_keeper)


def test_a_viewer_sees_no_way_to_log(as_viewer: Client, estimated: Train) -> None:
    page = text_of(as_viewer)
    assert 'aria-label="Log something"' not in page
    assert "Log the rotation" not in page


def test_hides_from_strangers(as_stranger: Client, estimated: Train) -> None:
    for name in ("train", "train-charts"):
        assert as_stranger.get(reverse(name, args=[estimated.pk])).status_code == 404
    assert as_stranger.post(reverse("recalculate", args=[estimated.pk])).status_code == 404
    assert as_stranger.get("/").status_code == 302  # to their own set-up


def test_needs_sign_in(client: Client, estimated: Train) -> None:
    for name in ("train", "train-charts"):
        response = client.get(reverse(name, args=[estimated.pk]))
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("account_login"))


def test_says_what_is_missing_and_where_to_add_it(as_keeper: Client, estimated: Train) -> None:
    estimated.estimates.all().delete()
    estimated.summary = {"problem": "The flow is not known yet.", "missing": "restrictor"}
    estimated.save()
    page = text_of(as_keeper)
    assert "The flow is not known yet." in page
    assert reverse("log-fact", args=[estimated.pk, "restrictor"]) in page
    assert "Not known yet" in page


def test_says_when_tests_and_model_cannot_be_reconciled(
    as_keeper: Client, estimated: Train, keeper: User
) -> None:
    odd = acts.log(
        OutletTest(
            train=estimated,
            stage=estimated.stages.get(position=2),
            at=timezone.now(),
            value_mg_l=0.05,
        ),
        by=keeper,
    )
    Train.objects.update(stale=False, summary=SUMMARY | {"unreconciled": [f"outlet-test/{odd.pk}"]})
    page = text_of(as_keeper)
    assert "behind stage 2 (0.05 mg/L) does not fit with the rest of what is known" in page
    acts.log(
        OutletTest(
            train=estimated,
            stage=estimated.stages.get(position=2),
            at=timezone.now(),
            value_mg_l=0.1,
            below=True,
        ),
        by=keeper,
    )
    assert "does not fit" not in text_of(as_keeper)  # a later test has answered it


def test_stale_shows_the_former_numbers_and_recalculates(
    as_keeper: Client, estimated: Train
) -> None:
    Train.objects.filter(pk=estimated.pk).update(stale=True)
    page = text_of(as_keeper)
    assert "Recalculating" in page
    assert "in 41 days" in page
    assert f'hx-post="{reverse("recalculate", args=[estimated.pk])}"' in page


def test_fresh_does_not_recalculate(as_keeper: Client, estimated: Train) -> None:
    page = text_of(as_keeper)
    assert "Recalculating" not in page
    assert "hx-post" not in page


def test_recalculate_without_script_goes_back_to_the_train(as_keeper: Client, train: Train) -> None:
    address = reverse("recalculate", args=[train.pk])
    response = as_keeper.post(address)
    assert response.status_code == 302
    assert response["Location"] == reverse("train", args=[train.pk])
    train.refresh_from_db()
    assert not train.stale
    assert train.estimates.count() == 3


def test_recalculate_by_htmx_gives_the_fresh_part(as_keeper: Client, train: Train) -> None:
    address = reverse("recalculate", args=[train.pk])
    for shown, template in (("face", "train_face"), ("card", "train_card")):
        response = as_keeper.post(address, {"shown": shown}, headers={"HX-Request": "true"})
        assert response.status_code == 200
        page = response.content.decode()
        assert f'id="train-{train.pk}"' in page
        assert "<html" not in page
        assert f"cartridges/parts/{template}.html" in [t.name for t in response.templates]
        assert "Recalculating" not in page


def test_a_viewer_may_recalculate_because_no_fact_changes(as_viewer: Client, train: Train) -> None:
    before = MeterReading.objects.count()
    assert as_viewer.post(reverse("recalculate", args=[train.pk])).status_code == 302
    assert MeterReading.objects.count() == before


def test_recalculate_rejects_get(as_keeper: Client, train: Train) -> None:
    assert as_keeper.get(reverse("recalculate", args=[train.pk])).status_code == 405


def test_rejects_post(as_keeper: Client, train: Train) -> None:
    assert as_keeper.post("/").status_code == 405
    assert as_keeper.post(reverse("train", args=[train.pk])).status_code == 405


def test_a_test_above_the_limit_outweighs_the_forecast(
    as_keeper: Client, estimated: Train, owner: User
) -> None:
    last = estimated.stages.get(position=3)
    when = timezone.now() - dt.timedelta(hours=2)
    acts.log(OutletTest(train=estimated, stage=last, at=when, value_mg_l=0.3), by=owner)
    estimate_train(estimated)
    page = text_of(as_keeper)
    assert "Above your limit" in page
    assert "found 0.30 mg/L after the last stage" in page


def test_shut_off_water_is_not_called_safe(
    as_keeper: Client, estimated: Train, owner: User
) -> None:
    acts.shut_off(train=estimated, at=timezone.now() - dt.timedelta(days=1), by=owner)
    estimate_train(estimated)
    page = text_of(as_keeper)
    assert "Water off" in page
    assert "Below your limit" not in page


def test_queries_do_not_grow_with_trains(
    estimated: Train, household: Household, owner: User, django_assert_max_num_queries: object
) -> None:
    client = signed_in(owner)
    for k in (2, 3):
        estimate_train(build_train(household, owner, name=f"Rack {k}"))
    client.get("/")  # the first visit asks what the database can do
    with django_assert_max_num_queries(12):  # type: ignore[operator]  # a fixture's callable
        page = client.get("/").content.decode()
    assert page.count("train-card") == 3


def test_a_person_without_a_household_is_not_shown_anybodys_train(
    estimated: Train, db: None
) -> None:
    person = User.objects.create_user("alone@example.org", "a drip a second")
    Membership.objects.filter(person=person).delete()
    response = signed_in(person).get("/")
    assert estimated.name not in response.content.decode()


def test_charts_come_as_a_part_and_as_a_page(as_keeper: Client, estimated: Train) -> None:
    address = reverse("train-charts", args=[estimated.pk])
    part = as_keeper.get(address, headers={"HX-Request": "true"}).content.decode()
    page = as_keeper.get(address).content.decode()
    assert "<html" not in part
    assert "<html" in page
    for text in (part, page):
        assert "Flow through the train" in text
        assert "Chlorine behind each carbon" in text
        assert "The figures as a table" in text


def test_a_train_without_stages_yet_asks_for_the_next_thing(
    as_keeper: Client, household: Household
) -> None:
    source = household.sources.create()
    train = household.trains.create(source=source, started_at=timezone.now())
    page = text_of(as_keeper)
    assert "This train has no stage yet." in page
    assert reverse("setup-start") in page
    assert "Not known yet" in page
    assert train.name in page
