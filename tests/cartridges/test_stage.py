"""A stage's page, and the keeper's own figures on it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from cartridges.models import MeterReading, OwnFigure, RestrictorFitting, Stage, Train
from cartridges.services import acts, estimates
from hobbyhydro.households.models import User
from hobbyhydro.households.templatetags.quantities import on_day

from .estimate_rows import estimate_train


@pytest.fixture
def carbon(train: Train) -> Stage:
    """The carbon block, with a row of known figures."""
    estimate_train(train)
    return train.stages.get(position=2)


def page_of(client: Client, stage: Stage) -> str:
    response = client.get(reverse("stage", args=[stage.pk]))
    assert response.status_code == 200
    return " ".join(response.content.decode().replace("\u00a0", " ").split())


def own(stage: Stage, figure: str = "capacity_mg") -> str:
    return reverse("own-figure", args=[stage.pk, figure])


def test_works(as_keeper: Client, carbon: Stage) -> None:
    page = page_of(as_keeper, carbon)
    assert "Stage 2, carbon block" in page
    assert "chloramine reaches your limit of 0.10 mg/L after stage 2" in page
    assert "Likely between 41 and 66 days." in page
    assert page.count("holds 8 of 10 modelled outcomes") == 1
    planned = timezone.localdate() + dt.timedelta(days=41)
    assert f"Plan for {on_day(planned)}, in 41 days</strong>: by then 1 in 10" in page
    assert page.index("50</span>") < page.index("Most likely") < page.index("Likely between")


def test_tells_life_left_from_carbon_unused(as_keeper: Client, carbon: Stage) -> None:
    page = page_of(as_keeper, carbon)
    # 60 days in service and 50 to go: 50 of 110 are left, while half the carbon is unused.
    assert "<dt>Life left</dt><dd>45&nbsp;%" in page
    assert "<dt>Carbon still unused</dt><dd>50&nbsp;% (likely 40 to 60&nbsp;%)" in page


def test_stale_recalculates_by_itself_and_then_fetches_its_part(
    as_keeper: Client, carbon: Stage
) -> None:
    assert "former numbers" not in page_of(as_keeper, carbon)
    Train.objects.filter(pk=carbon.train_id).update(stale=True)
    page = page_of(as_keeper, carbon)
    address = reverse("recalculate", args=[carbon.train_id])
    assert f'hx-post="{address}" hx-trigger="load, submit" hx-swap="none"' in page
    assert 'hx-trigger="recalculated from:body" hx-select="#stage-page"' in page
    assert "these are the former numbers" in page  # for those without a script
    answer = as_keeper.post(address, {"shown": "page"}, headers={"HX-Request": "true"})
    assert (answer.status_code, answer["HX-Trigger"]) == (204, '{"recalculated": {}}')
    assert "former numbers" not in page_of(as_keeper, carbon)


def test_what_was_typed_is_not_swept_away_by_new_numbers(as_keeper: Client, carbon: Stage) -> None:
    Train.objects.filter(pk=carbon.train_id).update(stale=True)
    response = as_keeper.post(own(carbon), {"value": "a lot"})
    assert response.status_code == 422
    page = response.content.decode()
    assert "these are the former numbers" in page
    assert "hx-post" not in page


def test_recalculate_without_script_goes_back_to_the_stage(
    as_keeper: Client, carbon: Stage
) -> None:
    stage = reverse("stage", args=[carbon.pk])
    address = reverse("recalculate", args=[carbon.train_id])
    assert as_keeper.post(address, {"back": stage})["Location"] == stage
    away = as_keeper.post(address, {"back": "//elsewhere.test/"})
    assert away["Location"] == reverse("train", args=[carbon.train_id])


def test_asks_no_more_of_the_database_with_more_restrictors(
    as_keeper: Client, carbon: Stage, keeper: User
) -> None:
    def queries() -> int:
        page_of(as_keeper, carbon)
        with CaptureQueriesContext(connection) as seen:
            page_of(as_keeper, carbon)
        return len(seen)

    few = queries()
    for days in range(100, 70, -5):  # all of them before the cartridge of now
        at = timezone.now() - dt.timedelta(days=days)
        acts.log(RestrictorFitting(train=carbon.train, at=at, rated_flow_l_day=150.0), by=keeper)
    assert queries() == few


def test_shows_each_chart_with_its_table(as_keeper: Client, carbon: Stage) -> None:
    page = page_of(as_keeper, carbon)
    assert page.count("The figures as a table") == page.count("data-chart=") == 3
    for key in ("outlet", "causes", "volume"):
        assert f'<script id="figure-{key}" type="application/json">' in page


def test_shows_every_assumption_with_value_origin_and_why(as_keeper: Client, carbon: Stage) -> None:
    page = page_of(as_keeper, carbon)
    assert "45.8 g" in page
    assert "from the package" in page
    assert "assumed" in page
    assert "Chlorine that a fresh cartridge can take up." in page
    assert "34 in³" in page  # 0.55 L of carbon


def test_only_figures_of_the_model_can_be_replaced(as_keeper: Client, carbon: Stage) -> None:
    page = page_of(as_keeper, carbon)
    assert own(carbon, "capacity_mg") in page
    assert own(carbon, "flow_exponent") in page
    assert "figures/correction/" not in page


def test_shows_the_history_of_the_stage(as_keeper: Client, carbon: Stage, owner: User) -> None:
    train, now = carbon.train, timezone.now()
    spec = carbon.fittings.get().cartridge.spec
    [fresh] = acts.buy(household=train.household, spec=spec)
    acts.swap(stage=carbon, cartridge=fresh, at=now, by=owner)
    acts.log(
        MeterReading(train=train, meter=train.meters.get(), at=now, reading_l=3000 * 3.785411784),
        by=owner,
    )
    estimate_train(train)
    page = page_of(as_keeper, carbon)
    assert page.index(str(fresh)) < page.index("no. 2, Carbon block")
    assert "still here" in page
    assert 'data-head="Days">60</td><td class="number" data-head="Water">3,000 gal</td>' in page


def test_stands_without_an_estimate(as_keeper: Client, train: Train) -> None:
    page = page_of(as_keeper, train.stages.get(position=2))
    assert "No estimate yet" in page
    assert "Cartridges in this stage" in page


def test_viewer_sees_but_gets_no_forms(as_viewer: Client, carbon: Stage) -> None:
    page = page_of(as_viewer, carbon)
    assert "45.8 g" in page
    assert "Use this figure" not in page
    assert "Log a swap" not in page


def test_hides_from_strangers(as_stranger: Client, carbon: Stage) -> None:
    assert as_stranger.get(reverse("stage", args=[carbon.pk])).status_code == 404
    assert as_stranger.post(own(carbon), {"value": "40"}).status_code == 404
    assert not OwnFigure.objects.exists()


def test_needs_sign_in(client: Client, carbon: Stage) -> None:
    for response in (
        client.get(reverse("stage", args=[carbon.pk])),
        client.post(own(carbon), {"value": "40"}),
    ):
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("account_login"))


def test_own_figure_replaces_the_assumed_one_in_kept_units(
    as_keeper: Client, carbon: Stage, keeper: User
) -> None:
    response = as_keeper.post(own(carbon), {"value": "60", "remark": "maker's sheet"})
    assert response.status_code == 302
    row = OwnFigure.objects.get()
    assert row.value == pytest.approx(60_000.0)  # 60 g are 60,000 mg
    assert row.spec == carbon.fittings.get().cartridge.spec
    assert row.household == carbon.train.household
    assert row.logged_by == keeper
    page = page_of(as_keeper, carbon)
    assert "Change your figure" in page
    assert "maker&#x27;s sheet" in page


def test_own_figure_changes_the_estimate(as_keeper: Client, train: Train) -> None:
    estimates.refresh(train)
    carbon = train.stages.get(position=3)  # the catalytic one, whose capacity decides
    before = carbon.estimate
    assert before.p50_at is not None
    capacity = next(
        a["value"] for a in before.details["assumptions"] if a["figure"] == "capacity_mg"
    )
    as_keeper.post(own(carbon), {"value": f"{capacity / 1000 / 4:.3f}"})
    train.refresh_from_db()
    estimates.refresh(train)
    after = Stage.objects.get(pk=carbon.pk).estimate
    assert after.p50_at is not None
    assert after.p50_at < before.p50_at
    row = next(a for a in after.details["assumptions"] if a["figure"] == "capacity_mg")
    assert row["origin"] == "own"


@pytest.mark.parametrize(
    ("figure", "typed", "words"),
    [
        ("capacity_mg", "", "This field is required."),
        ("capacity_mg", "0", "This must be more than zero."),
        ("capacity_mg", "-4", "This must be more than zero."),
        ("capacity_mg", "1e9", "This looks too large"),
        ("capacity_mg", "nan", "ordinary number"),
        ("capacity_mg", "lots", "is not a number"),
        ("flow_exponent", "0.9", "at most 0.5 makes sense here"),
        ("flow_exponent", "-0.1", "at least 0"),
        ("flow_exponent", "inf", "ordinary number"),
        ("flow_exponent", "half", "ordinary number"),
    ],
)
def test_keeps_what_was_typed_and_says_what_is_wrong(
    as_keeper: Client, carbon: Stage, figure: str, typed: str, words: str
) -> None:
    response = as_keeper.post(own(carbon, figure), {"value": typed, "remark": "from a friend"})
    assert response.status_code == 422
    page = response.content.decode()
    assert words in page
    if typed:
        assert f'value="{typed}"' in page
    assert 'value="from a friend"' in page
    assert not OwnFigure.objects.exists()


def test_an_unknown_figure_is_not_found(as_keeper: Client, carbon: Stage) -> None:
    assert as_keeper.post(own(carbon, "correction"), {"value": "1"}).status_code == 404


def test_own_figure_can_be_taken_back(as_keeper: Client, carbon: Stage) -> None:
    as_keeper.post(own(carbon), {"value": "60"})
    row = OwnFigure.objects.get()
    estimate_train(carbon.train)
    address = reverse("own-figure-remove", args=[row.pk])
    assert address in page_of(as_keeper, carbon)
    response = as_keeper.post(address, {"stage": str(carbon.pk)})
    assert response["Location"] == reverse("stage", args=[carbon.pk])
    row.refresh_from_db()
    assert not row.stands
    assert as_keeper.post(address, {"stage": str(carbon.pk)}).status_code == 404
    estimate_train(carbon.train)
    assert "Change your figure" not in page_of(as_keeper, carbon)


def test_needs_keeper(as_viewer: Client, as_keeper: Client, carbon: Stage) -> None:
    assert as_viewer.post(own(carbon), {"value": "60"}).status_code == 403
    as_keeper.post(own(carbon), {"value": "60"})
    row = OwnFigure.objects.get()
    address = reverse("own-figure-remove", args=[row.pk])
    assert as_viewer.post(address).status_code == 403
    row.refresh_from_db()
    assert row.stands


def test_removing_hides_from_strangers(
    as_stranger: Client, as_keeper: Client, carbon: Stage
) -> None:
    as_keeper.post(own(carbon), {"value": "60"})
    row = OwnFigure.objects.get()
    assert as_stranger.post(reverse("own-figure-remove", args=[row.pk])).status_code == 404
    row.refresh_from_db()
    assert row.stands


def test_rejects_get(as_keeper: Client, carbon: Stage) -> None:
    assert as_keeper.get(own(carbon)).status_code == 405
    assert as_keeper.get(reverse("own-figure-remove", args=[1])).status_code == 405


def test_reads_in_the_reader_s_units(as_keeper: Client, keeper: User, carbon: Stage) -> None:
    keeper.units = "metric"
    keeper.save()
    page = page_of(as_keeper, carbon)
    assert "11,000 L" in page
    assert "0.55 L" in page
    assert "in³" not in page
