"""Fifth step: the restrictor, and the meter if there is one."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.utils import timezone

from cartridges.models import Meter, MeterReading, RestrictorFitting, Train
from hobbyhydro.households.models import User

from .setup_answers import FLOW, NOT_NUMBERS, cartridges_of, says, send, shows, walk

METER = {
    "has_meter": "yes",
    "meter_unit": "gal",
    "meter_reading": "1234.5",
    "meter_start": "now",
}
L_PER_GAL = 3.785411784  # NIST SP 811


@pytest.fixture
def begun(as_keeper: Client) -> Train:
    """A train with its cartridges in, whose flow is not known."""
    return walk(as_keeper, until="flow")


def test_works(as_keeper: Client, begun: Train) -> None:
    answer = send(as_keeper, begun, "flow", FLOW)
    assert answer.headers["Location"] == f"/setup/{begun.pk}/answer/"
    restrictor = begun.restrictors.get()
    assert restrictor.rated_flow_l_day == pytest.approx(50 * L_PER_GAL)
    assert restrictor.rated_pressure_kpa == pytest.approx(413.685, abs=1e-3)
    assert restrictor.law == "pressure_compensating"
    assert restrictor.at == begun.started_at
    assert not begun.meters.exists()


def test_offers_typical_figures(as_keeper: Client, begun: Train) -> None:
    form = as_keeper.get(f"/setup/{begun.pk}/flow/").context["form"]
    assert form["rated_flow_l_day"].value() == "50"
    assert float(form["rated_pressure_kpa"].value()) == pytest.approx(60, abs=1e-3)
    assert form["has_meter"].value() == "no"


def test_a_meter_that_was_counting_before(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "flow", {**FLOW, **METER})
    meter = begun.meters.get()
    assert (meter.unit, meter.start_l) == ("gal", pytest.approx(1234.5 * L_PER_GAL))
    assert timezone.now() - meter.fitted_at < dt.timedelta(minutes=1)
    reading = meter.readings.get()  # what it counts from stands in the logbook
    assert (reading.at, reading.reading_l) == (meter.fitted_at, meter.start_l)


@pytest.mark.parametrize(
    ("unit", "litres"), [("gal", L_PER_GAL), ("L", 1.0), ("m3", 1000.0), ("ft3", 28.316846592)]
)
def test_a_meter_that_began_with_the_train(
    as_keeper: Client, begun: Train, unit: str, litres: float
) -> None:
    """Litres to a unit: NIST SP 811."""
    day = timezone.localdate() - dt.timedelta(days=30)
    typed = {f"c{s.pk}-{k}": v for s in begun.stages.all()
             for k, v in (("since", "day"), ("day", day.isoformat()))}  # fmt: skip
    send(as_keeper, begun, "cartridges", cartridges_of(begun, **typed))
    said = {**METER, "meter_start": "zero", "meter_unit": unit}
    send(as_keeper, begun, "flow", {**FLOW, **said})
    begun.refresh_from_db()
    meter = begun.meters.get()
    assert (meter.start_l, meter.fitted_at) == (0.0, begun.started_at)
    assert meter.readings.get().reading_l == pytest.approx(1234.5 * litres)


def test_a_meter_of_the_way_back_is_shown_and_taken_back(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "flow", {**FLOW, **METER})
    first = begun.meters.get()
    send(as_keeper, begun, "flow", {**FLOW, **METER})
    assert begun.meters.get() == first, "nothing changed"
    form = as_keeper.get(f"/setup/{begun.pk}/flow/").context["form"]
    assert form["meter_reading"].value() == "1234.5"
    send(as_keeper, begun, "flow", FLOW)
    assert not Meter.objects.exists() and not MeterReading.objects.exists()


def test_a_changed_restrictor_is_a_correction_with_its_history(
    as_keeper: Client, begun: Train
) -> None:
    send(as_keeper, begun, "flow", FLOW)
    send(as_keeper, begun, "flow", {**FLOW, "rated_flow_l_day": "80"})
    standing = RestrictorFitting.objects.standing().get()
    assert standing.rated_flow_l_day == pytest.approx(80 * L_PER_GAL)
    assert standing.replaces is not None


@pytest.mark.parametrize("typed", [*NOT_NUMBERS, ""])
@pytest.mark.parametrize("field", ["rated_flow_l_day", "rated_pressure_kpa"])
def test_keeps_what_was_typed(as_keeper: Client, begun: Train, field: str, typed: str) -> None:
    answer = send(as_keeper, begun, "flow", {**FLOW, **METER, field: typed})
    assert says(answer, field)
    assert typed == "" or shows(answer, field, typed)
    assert shows(answer, "meter_reading", "1234.5")
    assert not RestrictorFitting.objects.exists() and not Meter.objects.exists()


@pytest.mark.parametrize("typed", ["-1", "1e9", "nan", "inf", "lots", ""])
def test_refuses_a_meter_reading_that_is_none(as_keeper: Client, begun: Train, typed: str) -> None:
    answer = send(as_keeper, begun, "flow", {**FLOW, **METER, "meter_reading": typed})
    assert says(answer, "meter_reading")
    assert not RestrictorFitting.objects.exists() and not Meter.objects.exists()


@pytest.mark.parametrize("field", ["law", "has_meter", "meter_unit", "meter_start"])
@pytest.mark.parametrize("typed", ["", "furlongs"])
def test_refuses_a_choice_that_was_not_offered(
    as_keeper: Client, begun: Train, field: str, typed: str
) -> None:
    answer = send(as_keeper, begun, "flow", {**FLOW, **METER, field: typed})
    assert says(answer, field)
    assert not Meter.objects.exists()


def test_asks_nothing_of_a_meter_that_is_not_there(as_keeper: Client, begun: Train) -> None:
    typed = {**FLOW, "meter_reading": "rubbish", "meter_unit": "furlongs"}
    assert send(as_keeper, begun, "flow", typed).status_code == 302


def test_the_first_reading_stands_in_the_logbook(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "flow", {**FLOW, **METER})
    reading = MeterReading.objects.get()
    assert reading.reading_l == pytest.approx(1234.5 * L_PER_GAL)
    assert reading.at == begun.meters.get().fitted_at
    page = as_keeper.get(f"/setup/{begun.pk}/flow/")  # and is still the one it counts from
    assert page.context["form"]["meter_start"].value() == "now"
    rows = as_keeper.get(f"/trains/{begun.pk}/logbook/").context["rows"]
    assert "Meter reads 1,234.5\u00a0gal" in [row["words"] for row in rows]


def test_the_check_names_the_meters_unit_as_it_is_written(as_keeper: Client, begun: Train) -> None:
    send(as_keeper, begun, "flow", {**FLOW, **METER})
    assert "meter in US gallons" in as_keeper.get(f"/setup/{begun.pk}/finish/").content.decode()


@pytest.mark.parametrize(("units", "shown"), [("us", "60"), ("metric", "414")])
def test_the_rated_pressure_is_a_round_figure(
    as_keeper: Client, begun: Train, keeper: User, units: str, shown: str
) -> None:
    keeper.units = units
    keeper.save()
    form = as_keeper.get(f"/setup/{begun.pk}/flow/").context["form"]
    assert form["rated_pressure_kpa"].value() == shown
