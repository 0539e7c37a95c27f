"""A quantity as it is typed: decimal commas, nonsense, absurd values, and what then stays."""

from __future__ import annotations

import pytest
from django import forms
from django.core.exceptions import ValidationError
from django.template import Context, Template

from hobbyhydro.households.fields import QuantityField

GALLON_L = 231 * 0.254**3  # exact: 1 US gallon = 231 in³, 1 in = 25.4 mm (NIST SP 811, from memory)


class FlowForm(forms.Form):
    flow = QuantityField(quantity="flow", units="us", above_zero=True, label="Flow")
    remark = forms.CharField(required=False, label="Remark")


def cleaned(text: str, **options: object) -> float | None:
    return QuantityField(quantity="flow", units="metric", **options).clean(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5", 12.5), ("12,5", 12.5), (" 12.5 ", 12.5), ("1,234", 1234.0),
        ("1,234.5", 1234.5), ("1 234", 1234.0), ("1\u00a0234", 1234.0), ("0", 0.0),
        ("1e2", 100.0), ("0,05", 0.05), ("12,34", 12.34), ("007", 7.0), ("1.234,5", 1234.5),
        ("0,125", 0.125), ("1.234", 1.234), ("1.234.567", 1_234_567.0), ("1\u202f234,5", 1234.5),
        ("12,345,678", 12_345_678.0), ("1234,567", 1234.567),
    ],
)  # fmt: skip
def test_numbers_as_people_write_them(text: str, value: float) -> None:
    assert cleaned(text, most=1e9) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "   ", "\u00a0"])
def test_nothing_is_nothing_where_it_may_be(text: str) -> None:
    assert cleaned(text, required=False) is None


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "required"), ("  ", "required"), ("fast", "invalid"), ("12 gal", "invalid"),
        ("nan", "invalid"), ("NaN", "invalid"), ("inf", "invalid"), ("-Infinity", "invalid"),
        ("1e999", "invalid"), ("--3", "invalid"), ("1.2.3", "invalid"), ("1,2,3", "invalid"),
        ("1,23,456", "invalid"), ("0x10", "invalid"),
        ("-1", "too_small"), ("1000000000", "too_large"), ("1e9", "too_large"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(text: str, code: str) -> None:
    with pytest.raises(ValidationError) as refused:
        cleaned(text)
    assert refused.value.code == code


def test_zero_is_refused_where_nothing_would_flow() -> None:
    with pytest.raises(ValidationError, match="more than zero"):
        cleaned("0", above_zero=True)


@pytest.mark.parametrize(
    ("units", "text"), [("us", "13208"), ("metric", "49999"), ("metric", "50000")]
)
def test_the_largest_flow_is_the_same_in_either_system(units: str, text: str) -> None:
    """50 000 L/day is 13 208.6 US gallons a day."""
    field = QuantityField(quantity="flow", units=units)
    assert field.clean(text) <= 50_000.0 + 1e-6
    with pytest.raises(ValidationError):
        field.clean(str(int(text) + 2 if units == "us" else 50_001))


@pytest.mark.parametrize(
    ("units", "words"), [("us", "13,208.6\u00a0gal/day"), ("metric", "50,000\u00a0L/day")]
)
def test_the_message_names_the_bound_in_the_keepers_unit(units: str, words: str) -> None:
    with pytest.raises(ValidationError) as refused:
        QuantityField(quantity="flow", units=units).clean("1e9")
    assert words in refused.value.messages[0]
    assert "decimal point" in refused.value.messages[0]


def test_bounds_of_a_form_are_in_the_kept_unit() -> None:
    field = QuantityField(quantity="pressure", units="us", least=100.0, most=700.0)
    assert field.clean("60") == pytest.approx(413.685, rel=1e-5)
    for text in ("10", "120"):
        with pytest.raises(ValidationError) as refused:
            field.clean(text)
        assert "psi" in refused.value.messages[0]


def test_freezing_water_is_not_called_below_zero_in_fahrenheit() -> None:
    field = QuantityField(quantity="temperature", units="us")
    assert field.clean("32") == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(ValidationError) as refused:
        field.clean("20")
    assert refused.value.messages == ["This must be at least 32\u00a0°F."]


def test_what_was_typed_stays_with_its_message() -> None:
    form = FlowForm({"flow": "fifty", "remark": "after the storm"})
    assert not form.is_valid()
    page = Template("{% load crispy_forms_filters %}{{ form|crispy }}").render(
        Context({"form": form})
    )
    assert 'value="fifty"' in page
    assert 'value="after the storm"' in page
    assert "“fifty” is not a number. Write it in gal/day, such as 12.5." in page
    assert 'aria-invalid="true"' in page


def test_the_field_shows_label_unit_and_what_may_be_left_out() -> None:
    page = Template("{% load crispy_forms_filters %}{{ form|crispy }}").render(
        Context({"form": FlowForm()})
    )
    assert '<span class="input-group-text">gal/day</span>' in page
    assert 'inputmode="decimal"' in page
    assert page.count("(optional)") == 1


def test_a_kept_value_is_shown_in_the_keepers_unit_and_counts_as_unchanged() -> None:
    form = FlowForm({"flow": "50"}, initial={"flow": 50 * GALLON_L})
    assert 'value="50"' in str(FlowForm(initial={"flow": 50 * GALLON_L})["flow"])
    assert form.is_valid()
    assert form.cleaned_data["flow"] == pytest.approx(50 * GALLON_L, rel=1e-12)
    assert form.changed_data == []


def test_a_field_can_change_its_system() -> None:
    field = QuantityField(quantity="flow", units="us")
    field.use_units("metric")
    assert field.unit_label == "L/day"
    assert field.clean("190") == pytest.approx(190.0)


@pytest.mark.parametrize(
    ("quantity", "example"), [("chlorine", "0.5"), ("turbidity", "0.5"), ("pressure", "12.5")]
)
def test_the_example_is_a_number_that_could_stand_there(quantity: str, example: str) -> None:
    field = QuantityField(quantity=quantity)
    with pytest.raises(ValidationError, match=rf"such as {example}\."):
        field.clean("some")
