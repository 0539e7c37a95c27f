"""Readings of one totaliser: roll-over, falls, disagreements, and any order of logging."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.throughput import ReadingFalls, ReadingsDisagree, metered_intervals

from .flows import meter


def test_volume_is_the_difference_of_readings() -> None:
    intervals = metered_intervals(meter([0, 7, 9], [100, 450, 450]))
    assert intervals.start_day.tolist() == [0, 7]
    assert intervals.end_day.tolist() == [7, 9]
    assert intervals.volume_l.tolist() == [350, 0]


def test_a_falling_reading_is_refused_with_its_place_and_both_values() -> None:
    run = meter([9, 0, 7], [430, 100, 450])
    with pytest.raises(ReadingFalls, match="430 L.*450 L") as refused:
        metered_intervals(run)
    assert isinstance(refused.value, ValueError)
    assert refused.value.index == 0
    assert (refused.value.before_l, refused.value.reading_l) == (450, 430)


def test_a_roll_over_adds_one_turn_of_the_dial() -> None:
    run = meter([0, 1, 2], [9_900, 150, 400], [False, True, False], rolls_over_at_l=10_000)
    assert metered_intervals(run).volume_l.tolist() == [250, 250]


def test_a_roll_over_stated_for_one_reading_does_not_excuse_another() -> None:
    run = meter([0, 1, 2], [9_900, 150, 100], [False, True, False], rolls_over_at_l=10_000)
    with pytest.raises(ReadingFalls) as refused:
        metered_intervals(run)
    assert refused.value.index == 2


@given(
    volumes=st.lists(st.integers(0, 999), min_size=1, max_size=30),
    start=st.integers(0, 999),
    shuffle=st.randoms(use_true_random=False),
)
def test_any_volumes_come_back_from_a_rolling_dial(
    volumes: list[int], start: int, shuffle: object
) -> None:
    totals = np.cumsum([start, *volumes])
    shown = totals % 1000
    rolled = [False, *(np.diff(totals // 1000) > 0).tolist()]
    order = list(range(len(totals)))
    shuffle.shuffle(order)
    run = meter(
        [float(i) for i in order],
        [float(shown[i]) for i in order],
        [rolled[i] for i in order],
        rolls_over_at_l=1000.0,
    )
    assert metered_intervals(run).volume_l.tolist() == [float(v) for v in volumes]


def test_the_same_reading_twice_counts_once() -> None:
    intervals = metered_intervals(meter([0, 1, 1, 2], [0, 50, 50, 90]))
    assert intervals.volume_l.tolist() == [50, 40]


def test_two_readings_at_one_moment_that_disagree_are_refused() -> None:
    with pytest.raises(ReadingsDisagree, match="50 L and 55 L") as refused:
        metered_intervals(meter([0, 1, 1], [0, 55, 50]))
    assert refused.value.index == 2


def test_one_reading_or_none_gives_no_interval() -> None:
    assert len(metered_intervals(meter([3], [10])).volume_l) == 0
    assert len(metered_intervals(meter([], [])).volume_l) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([0, 1], [5, -1]), "not negative"),
        (([0, 1], [5, np.nan]), "finite"),
        (([0, np.inf], [5, 6]), "finite"),
        (([0, 1], [5, 6, 7]), "equally long"),
        (([0, 1], [5, 4], [False, True]), "where the dial rolls over"),
        (([0, 1], [5, 4], [False, True], 0.0), "above 0"),
        (([0, 1], [5, 1000], [False, False], 1000.0), "beyond what the dial can show"),
    ],
)
def test_impossible_runs_are_refused(arguments: tuple[object, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        meter(*arguments)
