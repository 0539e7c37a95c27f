"""Which cartridge sat where: rotation, emptying, order of logging, and how far back to look."""

from __future__ import annotations

import itertools
import math

import pytest

from cartridges.physics.layout import first_needed_day, layouts_from
from cartridges.physics.train import Placing

from .scenarios import CARBON, SEDIMENT

START = (Placing(0.0, 1, "s", SEDIMENT), Placing(0.0, 2, "a", CARBON), Placing(0.0, 3, "b", CARBON))
ROTATION = (Placing(100.0, 2, "b"), Placing(100.0, 3, "c", CARBON))


def test_lead_lag_rotation_moves_the_second_forward() -> None:
    layouts = layouts_from((*START, *ROTATION), stage_count=3)
    assert layouts.at(99.9) == ("s", "a", "b")
    assert layouts.at(100.0) == ("s", "b", "c")
    assert layouts.first_day("b") == 0.0 and layouts.here_since("b", 2) == 100.0
    assert layouts.periods_of("b", until_day=130.0) == [(0.0, 100.0), (100.0, 130.0)]
    assert layouts.periods_of("a", until_day=130.0) == [(0.0, 100.0)]
    assert layouts.first_day("unknown") == math.inf


def test_the_order_of_logging_does_not_matter() -> None:
    expected = layouts_from((*START, *ROTATION), stage_count=3).layouts
    for order in itertools.permutations((*START, *ROTATION)):
        assert layouts_from(order, stage_count=3).layouts == expected


def test_moving_a_cartridge_away_empties_its_stage() -> None:
    layouts = layouts_from((*START, Placing(50.0, 2, "b")), stage_count=3)
    assert layouts.at(50.0) == ("s", "b", None)
    emptied = layouts_from((*START, Placing(50.0, 1, None)), stage_count=3)
    assert emptied.at(60.0) == (None, "a", "b")
    swapped = layouts_from((*START, Placing(50.0, 2, "b"), Placing(50.0, 3, "a")), stage_count=3)
    assert swapped.at(50.0) == ("s", "b", "a")


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ((Placing(5.0, 4, "c", CARBON),), "stage 4"),
        ((Placing(5.0, 0, "c", CARBON),), "stage 0"),
        ((Placing(math.nan, 1, "c", CARBON),), "finite"),
        ((Placing(5.0, 1, "c"),), "no medium"),
        ((Placing(5.0, 1, "a", SEDIMENT),), "two different media"),
        ((Placing(5.0, 1, "c", CARBON), Placing(5.0, 1, "d", CARBON)), "two cartridges"),
        ((Placing(5.0, 1, "c", CARBON), Placing(5.0, 2, "c", CARBON)), "two stages"),
    ],
)
def test_placings_that_cannot_be_are_refused(extra: tuple[Placing, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        layouts_from((*START, *extra), stage_count=3)


def test_a_train_without_placings_is_refused() -> None:
    with pytest.raises(ValueError, match="without any placing"):
        layouts_from((), stage_count=3)


def test_only_the_past_that_matters_is_run() -> None:
    fresh = (Placing(200.0, 2, "d", CARBON), Placing(200.0, 3, "e", CARBON))
    layouts = layouts_from((*START, *ROTATION, *fresh), stage_count=3)
    beds = {"a", "b", "c", "d", "e"}

    def start(*tests: tuple[float, int]) -> float:
        return first_needed_day(layouts, now_day=300.0, tests=tests, with_bed=beds)

    assert start() == 200.0  # all carbons new that day: nothing before it counts
    assert start((250.0, 3)) == 200.0
    assert start((150.0, 2)) == 0.0  # b was worn since day 0
    # A lag fitted later than its lead, which is gone: the lead's first day counts.
    lead = (Placing(0.0, 1, "a", CARBON), Placing(80.0, 1, "c", CARBON))
    staggered = layouts_from((*lead, Placing(50.0, 2, "b", CARBON)), stage_count=2)
    assert first_needed_day(staggered, now_day=90.0, tests=(), with_bed=beds) == 0.0
    # After a rotation, the worn one reaches back to its first day, and its lead with it.
    rotated = layouts_from((*START, *ROTATION), stage_count=3)
    assert first_needed_day(rotated, now_day=300.0, tests=(), with_bed=beds) == 0.0
    assert first_needed_day(rotated, now_day=300.0, tests=(), with_bed=set()) == 300.0
