"""First step: the tap, its disinfectant, its figures, and the household's clock."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import Source, SourceReading, Train
from hobbyhydro.households.models import Household, User

from .setup_answers import NOT_NUMBERS, WATER, says, send, shows


def test_works(as_owner: Client) -> None:
    typed = {**WATER, "time_zone": "America/Chicago"}
    answer = send(as_owner, None, "water", typed)
    train = Train.objects.get()
    assert answer.headers["Location"] == f"/setup/{train.pk}/train/"
    source = train.source
    assert (source.disinfectant, source.ph, source.turbidity_ntu) == ("chloramine", 8.1, 0.3)
    assert source.temperature_c == pytest.approx(18.0)
    reading = source.readings.get()
    assert (reading.total_mg_l, reading.free_mg_l) == (2.0, 0.1)
    assert (reading.origin, reading.remark) == ("utility", "")


def test_not_knowing_the_disinfectant_counts_as_chloramine(as_keeper: Client) -> None:
    send(as_keeper, None, "water", {**WATER, "disinfectant": "unknown"})
    train = Train.objects.get()
    assert train.source.disinfectant == "chloramine"
    page = as_keeper.get(f"/setup/{train.pk}/water/")
    assert page.context["form"]["disinfectant"].value() == "unknown"
    assert "errs on the safe side" in page.content.decode()


def test_typical_figures_are_not_passed_off_as_measured(as_keeper: Client) -> None:
    send(as_keeper, None, "water", {**WATER, "origin": "typical"})
    reading = SourceReading.objects.get()
    assert reading.get_origin_display() == "Typical figure, not measured"
    train = Train.objects.get()
    form = as_keeper.get(f"/setup/{train.pk}/water/").context["form"]
    assert form["origin"].value() == "typical"


def test_a_changed_figure_is_a_correction_with_its_history(as_keeper: Client) -> None:
    send(as_keeper, None, "water", WATER)
    train = Train.objects.get()
    send(as_keeper, train, "water", {**WATER, "total_mg_l": "3"})
    standing = SourceReading.objects.standing().get()
    assert standing.total_mg_l == 3.0
    assert [v.total_mg_l for v in standing.versions()] == [3.0, 2.0]


def test_metric_readers_type_in_their_units(as_keeper: Client, keeper: User) -> None:
    keeper.units = "metric"
    keeper.save()
    send(as_keeper, None, "water", {**WATER, "temperature_c": "12,5"})
    assert Source.objects.get().temperature_c == 12.5


@pytest.mark.parametrize("field", ["total_mg_l", "free_mg_l", "turbidity_ntu", "ph"])
@pytest.mark.parametrize("typed", ["-1", "1e9", "nan", "inf", "twelve", ""])
def test_keeps_what_was_typed(as_keeper: Client, field: str, typed: str) -> None:
    answer = send(as_keeper, None, "water", {**WATER, field: typed})
    assert says(answer, field)
    assert typed == "" or shows(answer, field, typed)
    assert shows(answer, "temperature_c", "64.4")
    assert not Source.objects.exists() and not Train.objects.exists()


@pytest.mark.parametrize("typed", ["-40", "31", "114", "1e9", "nan", "lukewarm"])
def test_refuses_water_that_is_ice_or_steam(as_keeper: Client, typed: str) -> None:
    answer = send(as_keeper, None, "water", {**WATER, "temperature_c": typed})
    assert says(answer, "temperature_c")
    assert not Train.objects.exists()


@pytest.mark.parametrize("typed", [t for t in NOT_NUMBERS if t != "-1"])
def test_refuses_a_total_that_is_none(as_keeper: Client, typed: str) -> None:
    answer = send(as_keeper, None, "water", {**WATER, "total_mg_l": typed, "free_mg_l": "0"})
    assert says(answer, "total_mg_l")


def test_refuses_total_below_free(as_keeper: Client) -> None:
    answer = send(as_keeper, None, "water", {**WATER, "total_mg_l": "1", "free_mg_l": "1.5"})
    assert "cannot be the smaller" in says(answer, "total_mg_l")
    assert shows(answer, "free_mg_l", "1.5")
    assert not Train.objects.exists()


@pytest.mark.parametrize(("field", "typed"), [("disinfectant", "ozone"), ("origin", "hearsay")])
def test_refuses_a_choice_that_was_not_offered(as_keeper: Client, field: str, typed: str) -> None:
    assert says(send(as_keeper, None, "water", {**WATER, field: typed}), field)
    assert says(send(as_keeper, None, "water", {**WATER, field: ""}), field)


def test_asks_an_owner_for_the_time_zone_while_it_is_utc(
    as_owner: Client, household: Household
) -> None:
    assert "time_zone" in as_owner.get("/setup/").context["form"].fields
    assert says(send(as_owner, None, "water", {**WATER, "time_zone": "Mars/Olympus"}), "time_zone")
    send(as_owner, None, "water", {**WATER, "time_zone": "Europe/Oslo"})
    household.refresh_from_db()
    assert household.time_zone == "Europe/Oslo"
    train = Train.objects.get()
    form = as_owner.get(f"/setup/{train.pk}/water/").context["form"]
    assert "time_zone" not in form.fields, "asked once"


def test_does_not_let_a_keeper_change_the_household(
    as_keeper: Client, household: Household
) -> None:
    assert "time_zone" not in as_keeper.get("/setup/").context["form"].fields
    send(as_keeper, None, "water", {**WATER, "time_zone": "Europe/Oslo"})
    household.refresh_from_db()
    assert household.time_zone == "UTC"


def test_hides_the_taps_of_strangers(as_stranger: Client, train: Train) -> None:
    assert "tap" not in as_stranger.get("/setup/").context["form"].fields
    answer = send(as_stranger, None, "water", {"tap": str(train.source_id), "time_zone": "UTC"})
    assert answer.status_code == 200, "its own figures are asked"
    assert not Train.objects.exclude(pk=train.pk).exists()
    another = send(
        as_stranger, None, "water", {**WATER, "tap": str(train.source_id), "time_zone": "UTC"}
    )
    assert another.status_code == 302
    assert Train.objects.exclude(pk=train.pk).get().source != train.source


def test_free_chlorine_water_is_typically_nearly_all_free(as_keeper: Client) -> None:
    typical = as_keeper.get("/setup/").context["typical"]
    assert typical["free_chlorine"] == {"total_mg_l": 1.1, "free_mg_l": 1.0}


def test_a_second_new_tap_gets_a_name_of_its_own(
    as_keeper: Client, train: Train, household: Household
) -> None:
    page = as_keeper.get("/setup/").content.decode()
    assert "Tap water, as it is written down (it feeds Basement drip)" in page
    for expected in ("Tap water 2", "Tap water 3"):
        send(as_keeper, None, "water", {**WATER, "tap": "new"}, token=expected)
        begun = Train.objects.get(set_up_at__isnull=True)
        assert begun.source.name == expected
        begun.delete()
    page = as_keeper.get("/setup/").content.decode()
    assert "Tap water 3, as it is written down (feeds none)" in page


def test_what_nobody_tested_is_no_test(as_keeper: Client) -> None:
    """Figures left as they were filled in are stated, whatever was tested beside them."""
    blank = Source()
    left = {"temperature_c": "59", "ph": str(blank.ph), "turbidity_ntu": str(blank.turbidity_ntu)}
    send(as_keeper, None, "water", {**WATER, **left, "origin": "own", "ph": "8.3"})
    reading = SourceReading.objects.get()
    assert (reading.total_mg_l, reading.free_mg_l, reading.ph) == (2.0, 0.1, 8.3)
    assert (reading.temperature_c, reading.turbidity_ntu) == (None, None)
    source = Source.objects.get()
    assert source.temperature_c == pytest.approx(15.0) and source.ph == 8.3


def test_typical_figures_hold_no_tested_temperature(as_keeper: Client) -> None:
    send(as_keeper, None, "water", {**WATER, "origin": "typical"})
    reading = SourceReading.objects.get()
    assert (reading.temperature_c, reading.ph, reading.turbidity_ntu) == (None, None, None)
    assert Source.objects.get().ph == 8.1


def test_zones_are_offered_by_region_and_once(as_owner: Client) -> None:
    groups = dict(as_owner.get("/setup/").context["form"].fields["time_zone"].choices)
    names = [name for rows in groups.values() for name, _ in rows]
    assert ("America/Chicago", "Chicago") in groups["America"]
    assert ("America/Indiana/Knox", "Indiana, Knox") in groups["America"]
    assert len(names) == len(set(names))
    aliases = {"Factory", "localtime", "US/Central", "Etc/GMT+6", "GB", "Asia/Calcutta", "EST"}
    assert not aliases & set(names)
    assert "UTC" in names
    assert 'label="Europe"' in as_owner.get("/setup/").content.decode()


def test_the_clock_is_asked_with_the_first_train_only(as_owner: Client, train: Train) -> None:
    assert "time_zone" not in as_owner.get("/setup/").context["form"].fields
