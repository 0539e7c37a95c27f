"""Tests behind a stage and at the tap, and notes."""

from __future__ import annotations

import pytest
from django.test import Client

from cartridges.models import Note, OutletTest, SourceReading, Train
from cartridges.services import acts
from hobbyhydro.households.models import User

from .by_hand import address, ago, errors, messages, send

BAD = [
    ("-0.1", "below zero"),
    ("1e9", "too large"),
    ("nan", "ordinary number"),
    ("inf", "ordinary number"),
    ("abc", "not a number"),
]


def outlet(client: Client, train: Train, **typed: object) -> object:
    return send(client, address(train, "outlet-test"), **typed)


def source(client: Client, train: Train, **typed: object) -> object:
    return send(client, address(train, "source-test"), **typed)


def test_outlet_test_works(as_keeper: Client, train: Train) -> None:
    response = outlet(as_keeper, train, value_mg_l="0.15")
    said = messages(as_keeper, response)
    assert "Total chlorine after stage 2: 0.15\u00a0mg/L" in said  # the first carbon stage
    row = OutletTest.objects.get()
    assert (row.value_mg_l, row.below, row.species, row.kit) == (0.15, False, "total", "drops")


def test_outlet_test_below(as_keeper: Client, train: Train) -> None:
    stage = train.stages.get(position=3)
    response = outlet(
        as_keeper, train, value_mg_l="0.1", below="on", species="free", stage=stage.pk, kit="strip"
    )
    assert "Free chlorine after stage 3: below 0.10" in messages(as_keeper, response)
    assert OutletTest.objects.get().below


def test_outlet_test_remembers_how_it_was_done(as_keeper: Client, train: Train) -> None:
    outlet(as_keeper, train, value_mg_l="0.1", species="free", kit="meter", at=ago(days=1))
    form = as_keeper.get(address(train, "outlet-test")).context["form"]
    assert (form["species"].value(), form["kit"].value()) == ("free", "meter")


def test_outlet_test_asks_behind_which_stage_first(as_keeper: Client, train: Train) -> None:
    page = as_keeper.get(address(train, "outlet-test"))
    form = page.context["form"]
    assert next(iter(form.fields)) == "stage"
    assert [label for _, label in form.fields["stage"].choices] == [
        "Stage 1, sediment",
        "Stage 2, carbon block",
        "Stage 3, catalytic carbon (towards the tanks)",
    ]
    assert form["stage"].value() == train.stages.get(position=2).pk
    assert "Between the carbons, behind stage 2: that is where" in page.content.decode()


def test_outlet_test_presumes_no_stage_where_all_carbon_goes_the_same_day(
    as_keeper: Client, train: Train
) -> None:
    train.policy = Train.Policy.SAME_DAY
    train.save()
    form = as_keeper.get(address(train, "outlet-test")).context["form"]
    assert form["stage"].value() is None
    response = outlet(as_keeper, train, value_mg_l="0.1")
    assert errors(response)["stage"] == ["Behind which stage was the water taken?"]


def test_outlet_test_presumes_the_only_carbon(as_keeper: Client, train: Train) -> None:
    third = train.stages.get(position=3)
    train.stages.filter(position=2).update(retired_at=ago(days=1))
    form = as_keeper.get(address(train, "outlet-test")).context["form"]
    assert form["stage"].value() == third.pk
    assert not form.fields["stage"].help_text


@pytest.mark.parametrize(
    "typed", ["<0.1", "< 0,1", " <0.10", "below 0.1", "Below .1", "less than 0.1", "under 0.1"]
)
def test_outlet_test_understands_below(as_keeper: Client, train: Train, typed: str) -> None:
    assert outlet(as_keeper, train, value_mg_l=typed).status_code == 302
    row = OutletTest.objects.get()
    assert (row.value_mg_l, row.below) == (0.1, True)


@pytest.mark.parametrize("typed", ["<", "below", "<<0.1", "0.1<", "below zero"])
def test_outlet_test_does_not_guess_at_half_a_below(
    as_keeper: Client, train: Train, typed: str
) -> None:
    response = outlet(as_keeper, train, value_mg_l=typed)
    assert "Write it in mg/L, such as 0.5." in errors(response)["value_mg_l"][0]


def test_outlet_tests_of_one_minute_stand_beside_each_other(
    as_keeper: Client, train: Train
) -> None:
    """Another species, another stage or another kit is another test."""
    at, (_, second, third) = ago(hours=1), train.stages.order_by("position")
    for more in (
        {"stage": second.pk, "species": "total", "kit": "drops"},
        {"stage": second.pk, "species": "free", "kit": "drops"},
        {"stage": third.pk, "species": "total", "kit": "drops"},
        {"stage": second.pk, "species": "total", "kit": "strip"},
    ):
        assert outlet(as_keeper, train, value_mg_l="0.1", at=at, **more).status_code == 302
    assert OutletTest.objects.count() == 4
    same = {"stage": second.pk, "species": "total", "kit": "drops"}
    response = outlet(as_keeper, train, value_mg_l="0.3", at=at, **same)
    assert "something else is written down" in errors(response)["value_mg_l"][0]


def test_a_typical_figure_is_not_called_a_test(
    as_keeper: Client, train: Train, keeper: User
) -> None:
    typical = SourceReading(source=train.source, at=ago(days=1), total_mg_l=2.5, origin="typical")
    acts.log(typical, by=keeper)
    [row] = [
        row
        for row in as_keeper.get(f"/trains/{train.pk}/logbook/").context["rows"]
        if row["fact"] == typical
    ]
    assert row["name"] == "Typical figure"
    assert row["words"].startswith("Typical figure for tap water: total chlorine 2.50")
    assert (
        "<h1>Typical figure</h1>"
        in as_keeper.get(f"/facts/source-test/{typical.pk}/").content.decode()
    )
    source(as_keeper, train, total_mg_l="2.4")
    rows = as_keeper.get(f"/trains/{train.pk}/logbook/").context["rows"]
    assert rows[0]["name"] == "Tap test"


@pytest.mark.parametrize(("typed", "word"), [*BAD, ("", "required"), ("0", "nothing from very")])
def test_outlet_test_keeps_what_was_typed(
    as_keeper: Client, train: Train, typed: str, word: str
) -> None:
    response = outlet(as_keeper, train, value_mg_l=typed, kit="meter")
    assert word in errors(response)["value_mg_l"][0]
    form = response.context["form"]
    assert (form["value_mg_l"].value(), form["kit"].value()) == (typed, "meter")
    assert not OutletTest.objects.exists()


def test_outlet_test_above_the_tap_is_asked_back(as_keeper: Client, train: Train) -> None:
    response = outlet(as_keeper, train, value_mg_l="4")  # the tap has 2
    assert "the tap’s own 2.00" in errors(response)["value_mg_l"][0]
    form = response.context["form"]
    again = {name: form[name].value() or "" for name in form.fields if name != "below"}
    assert as_keeper.post(address(train, "outlet-test"), again).status_code == 302


@pytest.mark.parametrize("first", ["free", "total"])
def test_outlet_total_below_free_is_refused(as_keeper: Client, train: Train, first: str) -> None:
    at = ago(hours=1)
    values = {"free": "0.5", "total": "0.3"}
    second = "total" if first == "free" else "free"
    outlet(as_keeper, train, species=first, value_mg_l=values[first], at=at)
    response = outlet(as_keeper, train, species=second, value_mg_l=values[second], at=at)
    assert "cannot be below free chlorine" in errors(response)["value_mg_l"][0]
    assert OutletTest.objects.count() == 1


def test_outlet_tests_of_one_minute(as_keeper: Client, train: Train) -> None:
    """The same kit cannot show two things at once; another kit or stage can."""
    at = ago(hours=1)
    outlet(as_keeper, train, value_mg_l="0.2", at=at)
    other = outlet(as_keeper, train, value_mg_l="0.3", at=at)
    assert "something else is written down" in errors(other)["value_mg_l"][0]
    same = outlet(as_keeper, train, value_mg_l="0.2", at=at)
    assert "Already logged" in messages(as_keeper, same)
    assert outlet(as_keeper, train, value_mg_l="0.3", kit="meter", at=at).status_code == 302
    assert OutletTest.objects.count() == 2


def test_source_test_works(as_keeper: Client, train: Train) -> None:
    response = source(
        as_keeper, train, total_mg_l="2.2", free_mg_l="0.1", temperature_c="68", ph="7,9",
        turbidity_ntu="0.4", origin="utility",
    )  # fmt: skip
    assert "total chlorine 2.20" in messages(as_keeper, response)
    row = SourceReading.objects.in_order().last()
    assert (row.total_mg_l, row.free_mg_l, row.ph, row.turbidity_ntu) == (2.2, 0.1, 7.9, 0.4)
    assert row.temperature_c == pytest.approx(20.0)
    assert (row.origin, row.source) == ("utility", train.source)


@pytest.mark.parametrize(("typed", "word"), BAD)
@pytest.mark.parametrize("field", ["total_mg_l", "free_mg_l", "turbidity_ntu", "ph"])
def test_source_test_keeps_what_was_typed(
    as_keeper: Client, train: Train, field: str, typed: str, word: str
) -> None:
    fields = {"total_mg_l": "2.2", "free_mg_l": "0.1", "ph": "7.8"} | {field: typed}
    response = source(as_keeper, train, **fields)
    assert word in errors(response)[field][0]
    for name, value in fields.items():
        assert response.context["form"][name].value() == value
    assert SourceReading.objects.count() == 1


def test_source_total_below_free_is_refused(as_keeper: Client, train: Train) -> None:
    response = source(as_keeper, train, total_mg_l="1.0", free_mg_l="1.2")
    assert "cannot be below free chlorine" in errors(response)["total_mg_l"][0]
    assert SourceReading.objects.count() == 1


@pytest.mark.parametrize(
    ("first", "second", "field"),
    [
        ({"total_mg_l": "1.0"}, {"free_mg_l": "3.0"}, "free_mg_l"),
        ({"free_mg_l": "3.0"}, {"total_mg_l": "1.0"}, "total_mg_l"),
    ],
)
def test_source_total_below_free_is_refused_where_they_are_noted_apart(
    as_keeper: Client, train: Train, first: dict[str, str], second: dict[str, str], field: str
) -> None:
    when = ago(days=1)
    assert source(as_keeper, train, at=when, **first).status_code == 302
    response = source(as_keeper, train, at=when, **second)
    assert "cannot be below free" in errors(response)[field][0]
    assert SourceReading.objects.filter(at=when).count() == 1


def test_source_total_equal_to_free_is_water_without_chloramine(
    as_keeper: Client, train: Train
) -> None:
    assert source(as_keeper, train, total_mg_l="1.2", free_mg_l="1.2").status_code == 302


def test_source_test_of_nothing_is_refused(as_keeper: Client, train: Train) -> None:
    assert "at least one" in errors(source(as_keeper, train))["total_mg_l"][0]


def test_source_tests_of_one_minute(as_keeper: Client, train: Train) -> None:
    """Two totals contradict each other; a total and a temperature do not."""
    at = ago(hours=1)
    source(as_keeper, train, total_mg_l="2.0", at=at)
    other = source(as_keeper, train, total_mg_l="2.1", at=at)
    assert "something else is written down" in errors(other)["total_mg_l"][0]
    assert source(as_keeper, train, temperature_c="60", at=at).status_code == 302
    assert SourceReading.objects.count() == 3


@pytest.mark.parametrize("typed", ["", "   "])
def test_note_needs_words(as_keeper: Client, train: Train, typed: str) -> None:
    assert "required" in errors(send(as_keeper, address(train, "note"), text=typed))["text"][0]


def test_note_too_long_is_kept_typed(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, address(train, "note"), text="drip " * 500)
    assert "2000" in errors(response)["text"][0]
    assert response.context["form"]["text"].value() == "drip " * 500
    assert not Note.objects.exists()


def test_note_twice_is_kept_once(as_keeper: Client, train: Train) -> None:
    at = ago(hours=1)
    send(as_keeper, address(train, "note"), text="x", at=at)
    again = send(as_keeper, address(train, "note"), text="x", at=at)
    assert "Already logged" in messages(as_keeper, again)
    assert send(as_keeper, address(train, "note"), text="y", at=at).status_code == 302
    assert Note.objects.count() == 2
