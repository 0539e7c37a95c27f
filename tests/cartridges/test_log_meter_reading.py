"""Meter readings: saved with the flow they imply, and questioned where they cannot be."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from cartridges.models import Meter, MeterReading, Train
from cartridges.physics.throughput import METERED
from cartridges.services import acts, meters
from cartridges.services.timeline import train_inputs
from hobbyhydro.households.models import User
from tests.trains import L_PER_GAL

from .by_hand import address, ago, clock, errors, messages, send, shown


def where(train: Train) -> str:
    return address(train, "meter-reading")


def newest(train: Train) -> MeterReading:
    return MeterReading.objects.standing().filter(train=train).in_order().last()


def standing(train: Train) -> int:
    return MeterReading.objects.standing().filter(train=train).count()


def test_reading_works(as_keeper: Client, train: Train) -> None:
    """Sixty days at 50 gal/day, last read on day 45 at 2,250 gal: 3,000 gal is 50 gal/day again."""
    response = send(as_keeper, where(train), reading="3000")
    said = messages(as_keeper, response)
    assert "Meter reads 3,000" in said and "That is 50.0\u00a0gal/day since" in said
    assert newest(train).reading_l == pytest.approx(3000 * L_PER_GAL)


def test_reading_page_shows_the_last_one_and_what_the_script_needs(
    as_keeper: Client, train: Train
) -> None:
    page = as_keeper.get(where(train)).content.decode()
    assert "<strong>2,250\u00a0gal</strong>" in page and "15 days ago" in page
    assert 'data-last="2250"' in page and 'data-flow-unit="gal/day"' in page
    assert 'data-flow-per-unit="1"' in page  # a gallon a day is a gallon a day


def test_reading_is_told_in_the_readers_unit(as_keeper: Client, train: Train, keeper: User) -> None:
    keeper.units = "metric"
    keeper.save()
    said = messages(as_keeper, send(as_keeper, where(train), reading="3000"))
    assert "3,000\u00a0gal" in said and "189\u00a0L/day" in said


@pytest.mark.parametrize(
    ("typed", "word"),
    [
        ("", "required"),
        ("-5", "below zero"),
        ("1e9", "too large"),
        ("nan", "ordinary number"),
        ("inf", "ordinary number"),
        ("abc", "not a number"),
        ("12 apples", "not a number"),
    ],
)
def test_reading_keeps_what_was_typed(
    as_keeper: Client, train: Train, typed: str, word: str
) -> None:
    response = send(as_keeper, where(train), reading=typed, remark="wet fingers")
    assert word in errors(response)["reading"][0]
    page = response.content.decode()
    assert f'value="{typed}"' in page or typed == ""
    assert 'value="wet fingers"' in page
    assert standing(train) == 3


def test_a_lower_reading_asks_what_happened(as_keeper: Client, train: Train) -> None:
    assert "What happened?" not in as_keeper.get(where(train)).content.decode()
    response = send(as_keeper, where(train), reading="40")
    assert "lower than the 2,250\u00a0gal" in errors(response)["reading"][0]
    page = response.content.decode()
    for choice in ("rolled", "replaced", "typo"):
        assert f'name="fell" value="{choice}"' in page
    assert standing(train) == 3


def test_a_roll_over_asks_where_the_dial_starts_again(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, where(train), reading="40", fell="rolled")
    assert "start again from zero" in errors(response)["rolls_over_at"][0]
    response = send(as_keeper, where(train), reading="40", fell="rolled", rolls_over_at="2000")
    assert "must be more" in errors(response)["rolls_over_at"][0]
    assert train.meters.get().rolls_over_at_l is None
    response = send(as_keeper, where(train), reading="40", fell="rolled", rolls_over_at="3,000")
    said = messages(as_keeper, response)
    # 3,000 − 2,250 + 40 gal in fifteen days
    assert "That is 52.7\u00a0gal/day" in said
    assert newest(train).rolled_over
    assert train.meters.get().rolls_over_at_l == pytest.approx(3000 * L_PER_GAL)


def test_a_known_roll_over_is_not_asked_again(as_keeper: Client, train: Train) -> None:
    Meter.objects.update(rolls_over_at_l=3000 * L_PER_GAL)
    response = send(as_keeper, where(train), reading="40")
    assert 'name="rolls_over_at"' not in response.content.decode()
    assert send(as_keeper, where(train), reading="40", fell="rolled").status_code == 302


def test_a_dial_cannot_show_more_than_it_has(as_keeper: Client, train: Train) -> None:
    Meter.objects.update(rolls_over_at_l=2600 * L_PER_GAL)
    response = send(as_keeper, where(train), reading="2600")
    assert "starts again from zero at 2,600" in errors(response)["reading"][0]


def test_a_replaced_meter_starts_at_zero_unless_said(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, where(train), reading="700", fell="replaced", unit="gal")
    assert "That is 46.7\u00a0gal/day" in messages(as_keeper, response)  # 700 gal in 15 days
    new = newest(train).meter
    assert (new.start_l, new.unit) == (0.0, "gal") and train.meters.count() == 2
    assert train_inputs(train, now=ago()).segments.total_l > 0  # the model takes both meters


def test_a_replaced_meter_is_taken_as_it_was_fitted(as_keeper: Client, train: Train) -> None:
    fitted = ago(days=10)
    response = send(
        as_keeper, where(train), reading="3", fell="replaced", unit="m3", new_start="1",
        fitted_at=fitted,
    )  # fmt: skip
    # 2 m³ in ten days is 200 L/day
    assert "52.8\u00a0gal/day" in messages(as_keeper, response)
    new = newest(train).meter
    assert (new.fitted_at, new.start_l) == (fitted, 1000.0)
    assert newest(train).reading_l == 3000.0


@pytest.mark.parametrize(
    ("typed", "field", "word"),
    [
        ({"new_start": "60"}, "new_start", "more than the meter shows now"),
        ({"fitted_at": clock(ago(days=30))}, "fitted_at", "cannot have been there before"),
        ({"fitted_at": clock(ago(days=-3))}, "fitted_at", "future"),
        ({"new_start": "abc"}, "new_start", "not a number"),
        ({"new_start": "-1"}, "new_start", "below zero"),
    ],
)
def test_a_replaced_meter_that_cannot_be_is_refused_whole(
    as_keeper: Client, train: Train, typed: dict[str, str], field: str, word: str
) -> None:
    response = send(as_keeper, where(train), reading="40", fell="replaced", **typed)
    assert word in errors(response)[field][0]
    assert (train.meters.count(), standing(train)) == (1, 3)


def test_a_typo_is_typed_again(as_keeper: Client, train: Train) -> None:
    response = send(as_keeper, where(train), reading="40", fell="typo")
    assert "type here what the meter shows" in errors(response)["reading"][0]
    earlier = reverse("fact-correct", args=["meter-reading", newest(train).pk])
    assert f'href="{earlier}"' in response.content.decode()
    assert send(as_keeper, where(train), reading="3000", fell="typo").status_code == 302


def test_undoing_the_first_reading_of_a_new_meter_takes_the_meter_away(
    as_keeper: Client, train: Train
) -> None:
    send(as_keeper, where(train), reading="700", fell="replaced", unit="gal")
    reading = newest(train)
    as_keeper.post(reverse("fact-undo", args=["meter-reading", reading.pk]))
    assert [m.pk for m in meters.meters_of(train)] == [train.meters.first().pk]
    as_keeper.post(reverse("fact-redo", args=["meter-reading", reading.pk]))
    assert len(meters.meters_of(train)) == 2


def test_a_back_dated_reading_lies_between_its_neighbours(as_keeper: Client, train: Train) -> None:
    """Read on days 15, 30 and 45 at 750, 1,500 and 2,250 gal."""
    between = ago(days=25)  # day 35: 1,750 gal expected
    low = send(as_keeper, where(train), reading="1400", at=between)
    assert "it read 1,500\u00a0gal already" in errors(low)["reading"][0]
    assert "What happened?" not in low.content.decode()
    high = send(as_keeper, where(train), reading="2300", at=between)
    assert "it read 2,250\u00a0gal" in errors(high)["reading"][0]
    assert "correct it" in errors(high)["reading"][0]
    assert standing(train) == 3
    right = send(as_keeper, where(train), reading="1760", at=between)
    assert "That is 52.0\u00a0gal/day" in messages(as_keeper, right)


def test_a_reading_across_a_roll_over_lies_before_it(as_keeper: Client, train: Train) -> None:
    send(as_keeper, where(train), reading="40", fell="rolled", rolls_over_at="3000")
    low = send(as_keeper, where(train), reading="20", at=ago(days=1))
    assert "passed zero between" in errors(low)["reading"][0]
    assert send(as_keeper, where(train), reading="2900", at=ago(days=2)).status_code == 302


def test_before_the_meter_was_fitted_is_refused(as_keeper: Client, train: Train) -> None:
    Meter.objects.update(fitted_at=ago(days=50))
    MeterReading.objects.filter(at__lt=ago(days=40)).delete()
    response = send(as_keeper, where(train), reading="10", at=ago(days=55))
    assert "The meter was fitted on" in errors(response)["at"][0]


def test_the_one_box_of_a_reading_is_ready_to_type_into(as_keeper: Client, train: Train) -> None:
    box = next(
        tag
        for tag in as_keeper.get(where(train)).content.decode().split("<input")
        if 'name="reading"' in tag
    )
    assert " autofocus" in box
    assert " autofocus" not in as_keeper.get(f"/trains/{train.pk}/log/").content.decode()


def test_a_number_no_dial_shows_is_refused_in_plain_figures(
    as_keeper: Client, train: Train
) -> None:
    response = send(as_keeper, where(train), reading="1e9")
    assert "at most 99,999,999 gal makes sense here" in errors(response)["reading"][0]
    assert train.meters.get().face(12_345_678 * L_PER_GAL) == "12,345,678\u00a0gal"


def test_the_same_reading_twice_is_kept_once(as_keeper: Client, train: Train) -> None:
    at = ago(minutes=3)
    send(as_keeper, where(train), reading="3000", at=at)
    response = send(as_keeper, where(train), reading="3,000.0", at=at)
    assert "Already logged by Kasimir" in messages(as_keeper, response)
    assert standing(train) == 4


def test_a_flow_hard_to_believe_is_asked_back_once(as_keeper: Client, train: Train) -> None:
    first = send(as_keeper, where(train), reading="9000")  # 450 gal/day, 50 expected
    assert "450.0\u00a0gal/day" in errors(first)["reading"][0]
    page = first.content.decode()
    assert "Save anyway" in page and standing(train) == 3
    form = first.context["form"]
    again = {name: form[name].value() or "" for name in form.fields}
    other = as_keeper.post(where(train), again | {"reading": "9001"})
    assert "Is this right?" in errors(other)["reading"][0]  # another number is asked anew
    assert as_keeper.post(where(train), again).status_code == 302
    assert newest(train).reading_l == pytest.approx(9000 * L_PER_GAL)


def test_a_back_dated_reading_is_held_against_the_next_one_too(
    as_keeper: Client, train: Train
) -> None:
    """1,500 gal again an hour before 2,250: the rest would have passed within that hour."""
    last = newest(train)
    response = send(as_keeper, where(train), reading="1500", at=last.at - dt.timedelta(hours=1))
    assert "to the next reading that would be" in errors(response)["reading"][0]


def test_the_step_of_the_dial_is_no_reason_to_ask(as_keeper: Client, train: Train) -> None:
    """One gallon within five minutes is 288 gal/day on paper, and no more than a turning dial."""
    send(as_keeper, where(train), reading="3000", at=ago(minutes=10))
    assert send(as_keeper, where(train), reading="3001", at=ago(minutes=5)).status_code == 302


def test_the_first_reading_brings_its_meter(as_keeper: Client, train: Train) -> None:
    MeterReading.objects.all().delete()
    Meter.objects.all().delete()
    at = ago(hours=1)
    response = send(as_keeper, where(train), reading="512.4", unit="m3", at=at)
    assert "with the next reading" in messages(as_keeper, response)
    meter = train.meters.get()
    assert (meter.unit, meter.fitted_at, meter.start_l) == ("m3", at, 512_400.0)
    assert newest(train).reading_l == 512_400.0


def test_undoing_the_reading_that_a_meter_begins_with_takes_the_meter_away(
    as_keeper: Client, train: Train, keeper: User
) -> None:
    """A typed-wrong first reading must not stay behind as what the meter starts with."""
    train.meters.all().delete()
    send(as_keeper, where(train), reading="99999", unit="gal", at=ago(days=3))
    first = newest(train)
    acts.undo(first, by=keeper)
    assert meters.meters_of(train) == []
    response = send(as_keeper, where(train), reading="1234", unit="gal", at=ago(days=2))
    assert response.status_code == 302
    [meter] = meters.meters_of(train)
    assert meter.start_l == pytest.approx(1234 * L_PER_GAL)


def test_the_first_reading_counts_from_the_fitting_where_that_is_known(
    as_keeper: Client, train: Train
) -> None:
    MeterReading.objects.all().delete()
    Meter.objects.all().delete()
    response = send(as_keeper, where(train), reading="1000", unit="gal", fitted_at=ago(days=20))
    assert "That is 50.0\u00a0gal/day" in messages(as_keeper, response)


def test_the_first_reading_of_a_train_without_meter_needs_a_unit(
    as_keeper: Client, train: Train
) -> None:
    MeterReading.objects.all().delete()
    Meter.objects.all().delete()
    response = as_keeper.post(where(train), {"reading": "5"})
    assert "unit" in errors(response)
    assert not Meter.objects.exists()


def test_correcting_a_reading_keeps_the_old_one(
    as_keeper: Client, train: Train, owner: User
) -> None:
    old = newest(train)
    page = reverse("fact-correct", args=["meter-reading", old.pk])
    assert shown(as_keeper, page)["reading"] == "2250"
    response = send(as_keeper, page, reading="2255", why="misread a digit")
    fresh = newest(train)
    assert response.headers["Location"] == reverse("fact", args=["meter-reading", fresh.pk])
    old.refresh_from_db()
    assert fresh.replaces == old and not old.stands and fresh.why == "misread a digit"
    assert (fresh.at, fresh.reading_l) == (old.at, pytest.approx(2255 * L_PER_GAL))


def test_correcting_a_reading_is_weighed_against_its_neighbours(
    as_keeper: Client, train: Train
) -> None:
    middle = MeterReading.objects.standing().in_order()[1]
    page = reverse("fact-correct", args=["meter-reading", middle.pk])
    assert "cannot be higher" in errors(send(as_keeper, page, reading="2300"))["reading"][0]
    assert "cannot be lower" in errors(send(as_keeper, page, reading="700"))["reading"][0]
    assert send(as_keeper, page, reading="1490").status_code == 302


def test_moving_a_reading_past_its_neighbour_is_weighed(as_keeper: Client, train: Train) -> None:
    middle = MeterReading.objects.standing().in_order()[1]
    page = reverse("fact-correct", args=["meter-reading", middle.pk])
    response = send(as_keeper, page, at=ago(days=5))  # after the reading of 2,250 gal
    assert "lower than the 2,250" in errors(response)["reading"][0]
    middle.refresh_from_db()
    assert middle.stands


def test_correcting_the_reading_a_meter_begins_with(as_keeper: Client, train: Train) -> None:
    MeterReading.objects.all().delete()
    Meter.objects.all().delete()
    send(as_keeper, where(train), reading="500", unit="gal", at=ago(days=3))
    page = reverse("fact-correct", args=["meter-reading", newest(train).pk])
    moved = send(as_keeper, page, at=ago(days=2))
    assert "its time stays" in errors(moved)["at"][0]
    assert send(as_keeper, page, reading="510").status_code == 302
    response = send(as_keeper, where(train), reading="660")
    assert "50.0\u00a0gal/day" in messages(as_keeper, response)
    flow = train_inputs(train, now=ago()).segments
    metered = flow.volume_l[flow.origin == METERED].sum()
    assert metered == pytest.approx((660 - 510) * L_PER_GAL)  # the model counts from 510 as well


def test_a_meter_read_in_the_old_one_s_unit(as_keeper: Client, train: Train) -> None:
    """The number typed is the one on the face of the meter that was in place then."""
    send(as_keeper, where(train), reading="1", fell="replaced", unit="m3", fitted_at=ago(days=5))
    send(as_keeper, where(train), reading="2500", at=ago(days=10))
    old = MeterReading.objects.standing().get(at=ago(days=10))
    assert old.reading_l == pytest.approx(2500 * L_PER_GAL) and old.meter.unit == "gal"


def test_the_expected_flow_follows_the_restrictor_of_the_time(train: Train, owner: User) -> None:
    """At its rated pressure a capillary passes its rated flow at 25 °C, less in colder water.

    Viscosity 0.890 mPa·s at 25 °C and 1.0016 at 20 °C: IAPWS table of the viscosity of water at
    0.1 MPa, as printed in the release of 2008.
    """
    train.source.temperature_c = 20.0
    train.source.save()
    flow = meters.expected_flow_l_day(train, since=ago(days=3), at=ago(days=1))
    assert flow == pytest.approx(50 * L_PER_GAL * 0.8900 / 1.0016, rel=1e-3)
    acts.log(_restrictor(train, 100.0, ago(days=2)), by=owner)
    across = meters.expected_flow_l_day(train, since=ago(days=3), at=ago(days=1))
    assert across == pytest.approx(2 * flow, rel=1e-9)  # the larger of those in place
    before = meters.expected_flow_l_day(train, since=ago(days=5), at=ago(days=3))
    assert before == pytest.approx(flow, rel=1e-9)


def _restrictor(train: Train, gal_day: float, at: dt.datetime) -> object:
    from cartridges.models import RestrictorFitting

    return RestrictorFitting(train=train, at=at, rated_flow_l_day=gal_day * L_PER_GAL)
