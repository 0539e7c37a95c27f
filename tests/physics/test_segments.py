"""The segments themselves: clipping, cutting, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cartridges.physics.throughput import METERED, RESTRICTOR, SHUT, Segments

DAYS = st.lists(st.floats(-50, 150), max_size=12)


def three() -> Segments:
    return Segments(
        start_day=[0, 10, 40],
        end_day=[10, 30, 100],
        flow_l_day=[100, 0, 250],
        origin=[METERED, SHUT, RESTRICTOR],
        rel_sd=[0.02, 0, 0.1],
    )


def test_volume_is_flow_times_time() -> None:
    assert three().volume_l.tolist() == [1000, 0, 15_000]
    assert three().total_l == 16_000
    assert three().duration_days.tolist() == [10, 20, 60]


def test_between_clips_and_keeps_flow_and_origin() -> None:
    part = three().between(start_day=5, end_day=50)
    assert part.start_day.tolist() == [5, 10, 40]
    assert part.end_day.tolist() == [10, 30, 50]
    assert part.flow_l_day.tolist() == [100, 0, 250]
    assert part.origin.tolist() == [METERED, SHUT, RESTRICTOR]
    assert len(three().between(start_day=31, end_day=39)) == 0
    assert len(three().between(start_day=5, end_day=5)) == 0


@given(days=DAYS)
def test_cutting_keeps_all_the_water_and_leaves_no_mark_inside(days: list[float]) -> None:
    whole = three()
    cut = whole.cut(days)
    assert cut.total_l == pytest.approx(whole.total_l, rel=1e-12)
    for day in days:
        assert not ((cut.start_day < day) & (day < cut.end_day)).any()
    assert set(whole.start_day) <= set(cut.start_day)
    assert set(cut.start_day) - set(whole.start_day) <= set(days)
    middle = (cut.start_day + cut.end_day) / 2
    owner = np.searchsorted(whole.start_day, middle, side="right") - 1
    assert (cut.flow_l_day == whole.flow_l_day[owner]).all()
    assert (cut.origin == whole.origin[owner]).all()
    assert (cut.rel_sd == whole.rel_sd[owner]).all()


@given(day=st.floats(0, 100))
def test_two_parts_make_the_whole(day: float) -> None:
    first = three().between(start_day=0, end_day=day)
    second = three().between(start_day=day, end_day=100)
    assert first.total_l + second.total_l == pytest.approx(16_000, rel=1e-12)


def test_arrays_cannot_be_changed_in_place() -> None:
    segments = three()
    for name in ("start_day", "end_day", "flow_l_day", "origin", "rel_sd"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(segments, name)[0] = 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"start_day": [0, 5, 40]}, "overlap"),
        ({"end_day": [10, 10, 100]}, "end after"),
        ({"end_day": [10, 30, np.inf]}, "finite"),
        ({"flow_l_day": [1, -1, 1]}, "not negative"),
        ({"flow_l_day": [1, np.nan, 1]}, "finite"),
        ({"rel_sd": [1, -1, 1]}, "rel_sd"),
        ({"rel_sd": [1, 1]}, "equally long"),
        ({"origin": [0, 1, 3]}, "origin"),
    ],
)
def test_impossible_segments_are_refused(change: dict[str, object], words: str) -> None:
    fine = {
        "start_day": [0, 10, 40],
        "end_day": [10, 30, 100],
        "flow_l_day": [100, 0, 250],
        "origin": [0, 2, 1],
        "rel_sd": [0, 0, 0],
    }
    with pytest.raises(ValueError, match=words):
        Segments(**(fine | change))
