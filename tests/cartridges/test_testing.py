"""Tests outweigh the forecast: what the face of a train says after one."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from cartridges.models import CartridgeSpec, OutletTest, Train
from cartridges.services import acts, advice
from cartridges.services.overview import look_at
from hobbyhydro.households.models import User

from .estimate_rows import estimate_train

HOUR = dt.timedelta(hours=1)


@pytest.fixture
def fresh(train: Train) -> Train:
    """Rows of known figures: all is well for weeks."""
    return estimate_train(train)


def found_behind(train: Train, by: User, position: int, value: float | None, hours_ago: float):
    """An outlet test; None is "below 0.1"."""
    return acts.log(
        OutletTest(
            train=train,
            stage=train.stages.get(position=position),
            at=timezone.now() - hours_ago * HOUR,
            value_mg_l=0.1 if value is None else value,
            below=value is None,
        ),
        by=by,
    )


def seen(train: Train):
    [now] = look_at([train])
    return now


def test_one_test_between_the_carbons_asks_to_be_repeated(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 2, 0.3, 5)
    act = advice.next_act(seen(fresh))
    assert act is not None and act.is_test
    assert act.title.startswith("Test again behind stage 2")
    assert "0.30" in act.likely
    assert "If it shows again: replace the carbon block (stage 2)." in act.likely
    assert (act.state, act.days) == ("now", 0)


def test_two_in_a_row_are_believed_over_the_forecast(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 2, 0.3, 5)
    found_behind(fresh, keeper, 2, 0.2, 2)
    act = advice.next_act(seen(fresh))
    assert act is not None and not act.is_test
    assert act.title == "Replace the carbon block (stage 2)"
    assert "Trust the tests" in act.likely


def test_a_clean_repeat_takes_the_alarm_back(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 2, 0.3, 5)
    found_behind(fresh, keeper, 2, None, 2)
    act = advice.next_act(seen(fresh))
    assert act is not None and not act.is_test
    assert act.days == 41


def test_behind_a_carbon_that_cannot_hold_the_limit_it_is_no_news(fresh: Train, keeper: User):
    fresh.estimates.filter(stage__position=2).update(fresh_outlet_mg_l=0.9)
    found_behind(fresh, keeper, 2, 0.8, 5)
    act = advice.next_act(seen(fresh))
    assert act is not None and not act.is_test


def test_too_much_at_the_tanks_is_red_until_somebody_tests_again(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 3, 0.3, 5)
    assert advice.verdict(seen(fresh)).word == "Above your limit"

    [spare] = acts.buy(
        household=fresh.household, spec=CartridgeSpec.objects.get(starter_key="catalytic-slim")
    )
    stage = fresh.stages.get(position=3)
    acts.swap(stage=stage, cartridge=spare, at=timezone.now() - 2 * HOUR, by=keeper)
    estimate_train(fresh)
    found = advice.verdict(seen(fresh))
    assert (found.state, found.word) == ("now", "Test now")

    found_behind(fresh, keeper, 3, None, 1)
    assert advice.verdict(seen(fresh)).word == "Below your limit"


def test_taking_the_last_carbon_out_does_not_make_the_water_safe(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 3, 0.3, 5)
    acts.empty(stage=fresh.stages.get(position=3), at=timezone.now() - 2 * HOUR, by=keeper)
    fresh.estimates.filter(stage__position=3).delete()
    found = advice.verdict(seen(fresh))
    assert (found.state, found.word) == ("now", "Test now")
    assert "0.30" in found.sentence


def test_an_old_test_is_no_news(fresh: Train, keeper: User):
    found_behind(fresh, keeper, 3, 0.3, 24 * 20)
    assert advice.verdict(seen(fresh)).word == "Below your limit"
