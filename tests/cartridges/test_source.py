"""The tap's page."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from cartridges.models import Disinfectant, Source, SourceReading, SwitchPeriod, Train
from cartridges.services import estimates, source_water, switches
from cartridges.services import source_chart as charts
from cartridges.services.source_chart import source_chart
from hobbyhydro.households.models import Household, User

DAY = dt.timedelta(days=1)


@pytest.fixture
def tap(train: Train) -> Source:
    return Source.objects.get(pk=train.source_id)


def readings(tap: Source, count: int, *, every: dt.timedelta = DAY, **values: float) -> None:
    now = timezone.now()
    SourceReading.objects.bulk_create(
        SourceReading(source=tap, at=now - every * (k + 1), **values) for k in range(count)
    )


def test_source_works(tap: Source, as_keeper: Client) -> None:
    page = as_keeper.get(f"/water/{tap.pk}/")
    text = page.content.decode()
    assert page.status_code == 200
    assert "2.00\u00a0mg/L" in text and "1.90\u00a0mg/L" in text  # total, and combined = 2.0 - 0.1
    assert "60 days ago" in text
    assert "running yearly average" in text
    assert f"/trains/{tap.trains.get().pk}/log/source-test/" in text


def test_source_without_any_reading(tap: Source, as_keeper: Client) -> None:
    tap.readings.all().delete()
    page = as_keeper.get(f"/water/{tap.pk}/")
    assert page.context["chart"] is None
    assert "No test of chlorine yet" in page.content.decode()
    assert "As you stated it" in page.content.decode()  # temperature, pH, turbidity


def test_source_works_for_a_viewer_without_acts(tap: Source, as_viewer: Client) -> None:
    text = as_viewer.get(f"/water/{tap.pk}/").content.decode()
    for act in ("Log a test", "Import a history", "Add a switch period"):
        assert act not in text


def test_source_hides_from_strangers(tap: Source, as_stranger: Client) -> None:
    assert as_stranger.get(f"/water/{tap.pk}/").status_code == 404


def test_source_rejects_post(tap: Source, as_keeper: Client) -> None:
    assert as_keeper.post(f"/water/{tap.pk}/").status_code == 405


def test_source_needs_sign_in(tap: Source, client: Client) -> None:
    assert "/account/login/" in client.get(f"/water/{tap.pk}/")["Location"]


def test_source_shows_metric_to_who_reads_metric(
    tap: Source, keeper: User, as_keeper: Client
) -> None:
    SourceReading.objects.create(source=tap, at=timezone.now() - DAY, temperature_c=10.0)
    assert "50\u00a0°F" in as_keeper.get(f"/water/{tap.pk}/").content.decode()
    keeper.units = User.Units.METRIC
    keeper.save()
    assert "10.0\u00a0°C" in as_keeper.get(f"/water/{tap.pk}/").content.decode()


def test_queries_do_not_grow_with_readings_or_switches(tap: Source, as_keeper: Client) -> None:
    def count() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            page = as_keeper.get(f"/water/{tap.pk}/")
            assert page.status_code == 200
        return len(seen)

    today = timezone.localdate()
    switches.add(
        source=tap, first_day=today, last_day=today, to=Disinfectant.FREE_CHLORINE, by=None
    )
    few = count()
    readings(tap, 300, free_mg_l=0.1, total_mg_l=2.0)
    for k in range(1, 6):
        day = today - 30 * k * DAY
        switches.add(
            source=tap, first_day=day, last_day=day, to=Disinfectant.FREE_CHLORINE, by=None
        )
    assert count() == few


def test_readings_are_paged(tap: Source, as_keeper: Client) -> None:
    readings(tap, 120, total_mg_l=2.0)
    first = as_keeper.get(f"/water/{tap.pk}/")
    assert len(first.context["page"]) == 25
    assert "Page 1 of 5" in first.content.decode()
    last = as_keeper.get(f"/water/{tap.pk}/?page=5")
    assert len(last.context["page"]) == 21
    assert as_keeper.get(f"/water/{tap.pk}/?page=nonsense").status_code == 200


def test_figures_are_the_last_of_each_kind(tap: Source) -> None:
    now = timezone.now()
    SourceReading.objects.create(source=tap, at=now - 3 * DAY, ph=8.1)
    SourceReading.objects.create(source=tap, at=now - 2 * DAY, total_mg_l=3.0)
    gone = SourceReading.objects.create(source=tap, at=now - DAY, total_mg_l=9.0)
    gone.withdraw(by=None)
    found = {f.label: f for f in source_water.figures(tap, now=now)}
    assert (found["pH"].value, found["pH"].at) == (8.1, now - 3 * DAY)
    assert found["Total chlorine"].value == 3.0
    assert found["Free chlorine"].value == 0.1
    # The last test of both is the first one: 2.0 - 0.1.
    assert found["Combined chlorine"].value == pytest.approx(1.9)
    assert found["Temperature"].value == 18.0 and found["Temperature"].at is None


def test_year_average_is_of_the_last_year(tap: Source) -> None:
    now = timezone.now()
    tap.readings.all().delete()
    assert source_water.year_average(tap, now=now) is None
    for days, total in ((400, 9.0), (300, 3.0), (10, 6.0)):
        SourceReading.objects.create(source=tap, at=now - days * DAY, total_mg_l=total)
    found = source_water.year_average(tap, now=now)
    assert found is not None
    assert (found.species, found.mean_mg_l, found.tests) == ("total", 4.5, 2)
    assert found.is_above  # the US limit is 4.0 mg/L as a running annual average


def test_chart_shows_tests_limit_and_switches(tap: Source) -> None:
    today = timezone.localdate()
    readings(tap, 20, free_mg_l=0.2, total_mg_l=2.4)
    switches.add(
        source=tap,
        first_day=today - 20 * DAY,
        last_day=today - 10 * DAY,
        to=Disinfectant.FREE_CHLORINE,
        by=None,
    )
    chart = source_chart(tap, now=timezone.now())
    assert chart is not None and chart.gathered_by == ""
    total, free = chart.figure["data"]
    assert len(total["x"]) == len(free["x"]) == 21
    assert set(free["y"]) == {0.1, 0.2}
    drawn = [s for s in chart.figure["layout"]["shapes"] if s.get("xsizemode") != "pixel"]
    band, line = drawn  # beside them only the samples of the key
    assert line["y0"] == line["y1"] == 4.0
    assert (band["x0"][:10], band["x1"][:10]) == (
        (today - 20 * DAY).isoformat(),
        (today - 10 * DAY).isoformat(),
    )
    words = [note["text"] for note in chart.figure["layout"]["annotations"]]
    assert "free chlorine" in words
    assert any("yearly average" in text for text in words)


def test_chart_gathers_many_readings_and_says_so(tap: Source, as_keeper: Client) -> None:
    tap.readings.all().delete()
    readings(tap, charts.MOST_POINTS, every=dt.timedelta(hours=6), total_mg_l=2.0)
    all_drawn = source_chart(tap, now=timezone.now())
    assert all_drawn is not None and all_drawn.gathered_by == ""
    SourceReading.objects.create(source=tap, at=timezone.now() - 100 * DAY, total_mg_l=3.5)
    chart = source_chart(tap, now=timezone.now())
    assert chart is not None and chart.gathered_by == "day"
    low, high, mean = chart.figure["data"]
    assert len(mean["x"]) <= charts.MOST_BUCKETS
    assert max(high["y"]) == 3.5 and max(low["y"]) == 2.0
    assert max(mean["y"]) == pytest.approx((4 * 2.0 + 3.5) / 5)
    text = as_keeper.get(f"/water/{tap.pk}/").content.decode()
    assert "too many to draw one by one" in text


def test_chart_gathers_by_week_where_days_are_too_many(tap: Source) -> None:
    readings(tap, 2_500, total_mg_l=2.0)
    chart = source_chart(tap, now=timezone.now())
    assert chart is not None and chart.gathered_by == "week"


def test_chart_leaves_out_what_does_not_stand(tap: Source) -> None:
    tap.readings.get().withdraw(by=None)
    assert source_chart(tap, now=timezone.now()) is None


EDITED = {
    "name": "Kitchen tap",
    "disinfectant": "free_chlorine",
    "temperature_c": "50",
    "ph": "7.4",
    "turbidity_ntu": "0.3",
}


def test_edit_works(tap: Source, train: Train, as_keeper: Client) -> None:
    assert as_keeper.get(f"/water/{tap.pk}/edit/").status_code == 200
    Train.objects.update(stale=False)
    answer = as_keeper.post(f"/water/{tap.pk}/edit/", EDITED)
    assert answer["Location"] == f"/water/{tap.pk}/"
    tap.refresh_from_db()
    assert (tap.name, tap.disinfectant, tap.ph, tap.turbidity_ntu) == (
        "Kitchen tap",
        "free_chlorine",
        7.4,
        0.3,
    )
    assert tap.temperature_c == pytest.approx(10.0)  # 50 °F
    train.refresh_from_db()
    assert train.stale


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("name", ""),
        ("disinfectant", "ozone"),
        ("temperature_c", "-40"),
        ("temperature_c", "1000000000"),
        ("temperature_c", "nan"),
        ("ph", "15"),
        ("ph", "inf"),
        ("turbidity_ntu", "-1"),
        ("turbidity_ntu", "murky"),
    ],
)
def test_edit_keeps_what_was_typed(tap: Source, as_keeper: Client, field: str, typed: str) -> None:
    answer = as_keeper.post(f"/water/{tap.pk}/edit/", {**EDITED, field: typed})
    assert answer.status_code == 200
    assert list(answer.context["form"].errors) == [field]
    assert answer.context["form"][field].value() == typed
    tap.refresh_from_db()
    assert tap.name == "Tap water"


def test_edit_needs_keeper(tap: Source, as_viewer: Client) -> None:
    assert as_viewer.get(f"/water/{tap.pk}/edit/").status_code == 403
    assert as_viewer.post(f"/water/{tap.pk}/edit/", EDITED).status_code == 403


def test_edit_hides_from_strangers(tap: Source, as_stranger: Client) -> None:
    assert as_stranger.get(f"/water/{tap.pk}/edit/").status_code == 404
    assert as_stranger.post(f"/water/{tap.pk}/edit/", EDITED).status_code == 404


def test_dates_are_those_of_the_household(tap: Source, as_keeper: Client) -> None:
    Household.objects.update(time_zone="Pacific/Auckland")
    at = dt.datetime(2026, 1, 31, 20, tzinfo=dt.UTC)  # 1 February over there
    SourceReading.objects.create(source=tap, at=at, total_mg_l=2.5)
    assert "1 Feb 2026" in as_keeper.get(f"/water/{tap.pk}/").content.decode()
    assert not SwitchPeriod.objects.exists()


def typical(tap: Source, at: dt.datetime, **more: float) -> SourceReading:
    return SourceReading.objects.create(
        source=tap, at=at, total_mg_l=2.5, free_mg_l=0.2, origin="typical", **more
    )


def test_typical_figures_are_no_tests(tap: Source, as_keeper: Client) -> None:
    now = timezone.now()
    tap.readings.all().delete()
    typical(tap, now - DAY, temperature_c=15.0, ph=7.8, turbidity_ntu=0.5)
    page = as_keeper.get(f"/water/{tap.pk}/")
    text = page.content.decode()
    assert page.context["average"] is None and page.context["chart"] is None
    assert text.count("Typical figure, not measured") == 3  # free, total and combined
    assert text.count("As you stated it") == 3  # temperature, pH, turbidity
    assert "<td>Typical figure</td>" in text
    assert "own test" not in text.lower()
    assert '<h2 id="tests-title">Tests</h2>' in text
    assert "a typical figure which nobody measured" in text


def test_a_test_goes_before_a_newer_typical_figure(tap: Source) -> None:
    now = timezone.now()
    typical(tap, now - DAY)
    found = {f.label: f for f in source_water.figures(tap, now=now)}
    assert (found["Total chlorine"].value, found["Total chlorine"].origin) == (2.0, "Own test")
    average = source_water.year_average(tap, now=now)
    assert average is not None
    assert (average.mean_mg_l, average.tests) == (2.0, 1)


def test_the_level_that_the_model_takes_is_told_with_its_doubt(
    tap: Source, as_keeper: Client
) -> None:
    """One test, sixty days old: the model holds its level, and is unsurer by its age."""
    train = tap.trains.get()
    estimates.refresh(train)
    train.refresh_from_db()
    level = source_water.level_now(tap, now=timezone.now())
    assert level is not None
    assert level.total_mg_l == pytest.approx(train.summary["inlet_total_mg_l"])
    assert level.free_mg_l == pytest.approx(train.summary["inlet_free_mg_l"])
    text = as_keeper.get(f"/water/{tap.pk}/").content.decode()
    assert "The model now takes 2.00\u00a0mg/L total and 0.10\u00a0mg/L free" in text
    assert f"give or take {100 * level.rel_sd:.0f} %" in text
    tap.readings.update(at=timezone.now() - DAY)
    fresh = source_water.level_now(tap, now=timezone.now())
    assert fresh is not None and fresh.rel_sd < level.rel_sd


def test_no_level_of_a_tap_that_feeds_nothing(tap: Source, household: Household) -> None:
    spare = Source.objects.create(household=household, name="Garden tap")
    assert source_water.level_now(spare, now=timezone.now()) is None
    tap.readings.all().delete()
    assert source_water.level_now(tap, now=timezone.now()) is None


def test_tests_that_end_long_ago_are_said_to(tap: Source, as_keeper: Client) -> None:
    def told() -> str:
        return " ".join(as_keeper.get(f"/water/{tap.pk}/").content.decode().split())

    assert "tests end in" not in told()
    then = timezone.now() - 800 * DAY
    tap.readings.update(at=then)
    assert f"The tests end in {timezone.localtime(then):%B %Y}</strong>" in told()
    assert "The model takes the last one, and trusts it less the older it is." in told()
    typical(tap, timezone.now() - DAY)
    assert "is only the typical figure of" in told()
    SourceReading.objects.create(source=tap, at=timezone.now() - DAY, total_mg_l=2.0)
    assert "tests end in" not in told()
