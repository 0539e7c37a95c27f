"""Units at the edge, against NIST SP 811 (2008), appendix B (values from memory).

SP 811 defines: 1 in = 25.4 mm; 1 US gallon = 231 in³; 1 lb = 0.453 592 37 kg; standard gravity
9.806 65 m/s²; t/°C = (t/°F − 32)/1.8. All of these are exact, so the factors below are too.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hobbyhydro.households import units as edge

GALLON_L = 231 * 0.254**3
INCH3_L = 0.254**3
PSI_KPA = 0.45359237 * 9.80665 / 0.0254**2 / 1000


@pytest.mark.parametrize(
    ("quantity", "typed", "kept"),
    [
        ("volume", 1.0, GALLON_L),
        ("flow", 50.0, 50 * GALLON_L),
        ("rated_flow", 0.5, 0.5 * GALLON_L * 1440),
        ("bed_volume", 40.0, 40 * INCH3_L),
        ("pressure", 60.0, 60 * PSI_KPA),
        ("temperature", 32.0, 0.0),
        ("temperature", 68.0, 20.0),
        ("cup", 250.0, 0.25),
        ("capacity", 3.5, 3500.0),
        ("chlorine", 2.1, 2.1),
        ("turbidity", 0.4, 0.4),
        ("dirt", 120.0, 120.0),
    ],
)
def test_us_units_are_those_of_sp_811(quantity: str, typed: float, kept: float) -> None:
    assert edge.to_kept(typed, quantity=quantity, units="us") == pytest.approx(kept, rel=1e-12)


@pytest.mark.parametrize(
    ("quantity", "typed", "kept"),
    [
        ("volume", 12.0, 12.0),
        ("flow", 190.0, 190.0),
        ("rated_flow", 2.0, 2880.0),
        ("bed_volume", 0.6, 0.6),
        ("pressure", 400.0, 400.0),
        ("temperature", -1.0, -1.0),
        ("cup", 250.0, 0.25),
    ],
)
def test_metric_units(quantity: str, typed: float, kept: float) -> None:
    assert edge.to_kept(typed, quantity=quantity, units="metric") == pytest.approx(kept, rel=1e-12)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("quantity", edge.QUANTITIES)
def test_what_is_kept_comes_back_as_it_was_typed(quantity: str, units: str) -> None:
    for value in (0.0, 0.001, 1.0, 36.6, 12_345.0):
        kept = edge.to_kept(value, quantity=quantity, units=units)
        assert edge.from_kept(kept, quantity=quantity, units=units) == pytest.approx(value)


@given(st.floats(0, 1e7))
def test_a_volume_survives_the_field_and_back_to_seven_figures(kept_l: float) -> None:
    text = edge.typed(kept_l, quantity="volume", units="us")
    back = edge.to_kept(float(text), quantity="volume", units="us")
    assert back == pytest.approx(kept_l, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "quantity", "units", "words"),
    [
        (189.2705892, "flow", "us", "50.0\u00a0gal/day"),
        (189.2705892, "flow", "metric", "189\u00a0L/day"),
        (413.685, "pressure", "us", "60\u00a0psi"),
        (20.0, "temperature", "us", "68\u00a0°F"),
        (20.0, "temperature", "metric", "20.0\u00a0°C"),
        (4_542.494, "volume", "us", "1,200\u00a0gal"),
        (0.05, "chlorine", "us", "0.05\u00a0mg/L"),
    ],
)
def test_a_number_stands_with_its_unit(value: float, quantity: str, units: str, words: str) -> None:
    assert edge.in_words(value, quantity=quantity, units=units) == words


@pytest.mark.parametrize(("value", "figures"), [(None, "–"), (math.nan, "–"), (math.inf, "∞")])
def test_what_is_not_a_number_is_not_dressed_as_one(value: float | None, figures: str) -> None:
    assert edge.in_figures(value, quantity="flow", units="us") == figures


def test_nothing_typed_is_nothing() -> None:
    assert edge.typed(None, quantity="flow", units="us") == ""


def test_an_unknown_quantity_is_an_error() -> None:
    with pytest.raises(KeyError):
        edge.to_kept(1.0, quantity="furlongs", units="us")
