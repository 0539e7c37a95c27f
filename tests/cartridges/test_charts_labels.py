"""Labels of charts: above the plot, apart from each other on a phone; and short time axes."""

from __future__ import annotations

import datetime as dt
from itertools import combinations

import pytest
from django.utils import timezone

from cartridges.models import SourceReading, Train
from cartridges.services import charts_labels as labels
from cartridges.services.charts import Sheet
from cartridges.services.source_chart import source_chart

FIRST, LAST = dt.datetime(2026, 1, 1), dt.datetime(2026, 12, 31)


def tops(*marks: tuple[str, str]) -> list[labels.Top]:
    return [labels.Top(f"2026-{day} 00:00:00", text, "x") for day, text in marks]


def spans(found: list[labels.Top]) -> list[tuple[int, float, float]]:
    """Row, left and right edge of each label on a phone's plot."""
    places = labels.place_tops(found, first=FIRST, last=LAST)
    edges = []
    for top, place in zip(found, places, strict=True):
        share = (dt.datetime.fromisoformat(top.x) - FIRST) / (LAST - FIRST)
        left = share * labels.PLOT_PX + place.left_px
        edges.append((place.row, left, left + labels.width_px(top.text)))
    return edges


def test_labels_near_each_other_take_rows_of_their_own() -> None:
    near = tops(("06-01", "rated 50 gal/day"), ("06-05", "rated 80 gal/day"), ("06-09", "today"))
    edges = spans(near)
    for one, other in combinations(edges, 2):
        apart = one[2] <= other[1] or other[2] <= one[1]
        assert one[0] != other[0] or apart
    assert len({row for row, _, _ in edges}) > 1


def test_labels_far_from_each_other_share_a_row() -> None:
    assert {row for row, _, _ in spans(tops(("01-02", "off"), ("12-01", "today")))} == {0}


def test_a_label_at_the_right_edge_stands_to_the_left_of_its_moment() -> None:
    [(_, left, right)] = spans(tops(("12-30", "rated 80 gal/day")))
    assert left > 0
    assert right <= labels.PLOT_PX + labels.GAP_PX


def test_names_of_lines_never_overlap_and_stay_within_the_chart() -> None:
    keys = [labels.Key(f"after stage {k}", "x", "solid", 2.0) for k in range(1, 6)]
    places = labels.place_keys(keys)
    boxes = [
        (p.row, p.left_px, p.left_px + labels.SAMPLE_PX + 6 + labels.width_px(k.text))
        for k, p in zip(keys, places, strict=True)
    ]
    for one, other in combinations(boxes, 2):
        assert one[0] != other[0] or one[2] < other[1] or other[2] < one[1]
    assert max(right for _, _, right in boxes) <= labels.PLOT_PX + 40


def test_every_label_stands_above_the_plot_with_room_for_its_row() -> None:
    sheet = Sheet(y_title="")
    sheet.line("water", ["2026-01-01 00:00:00", "2026-06-01 00:00:00"], [0.0, 1.0])
    sheet.level(0.5, "your limit")
    sheet.moment("2026-03-01 00:00:00", "today")
    sheet.stretch("2026-03-02 00:00:00", "2026-03-09 00:00:00", "off")
    layout = sheet.json()["layout"]
    assert {a["text"] for a in layout["annotations"]} == {"your limit", "today", "off"}
    for note in layout["annotations"]:
        assert (note["yref"], note["y"], note["yanchor"]) == ("paper", 1, "bottom")
        assert 0 <= note["yshift"] <= layout["margin"]["t"] - labels.ROW_PX
    places = [(n["yshift"], n["x"], n["xshift"]) for n in layout["annotations"]]
    assert len(set(places)) == 3


@pytest.mark.parametrize("hours", [0, 3, 23])
def test_a_short_time_axis_is_a_day_wide(hours: int) -> None:
    axis = labels.days_axis(FIRST, FIRST + dt.timedelta(hours=hours))
    low, high = (dt.datetime.fromisoformat(end) for end in axis["range"])
    assert high - low == dt.timedelta(days=1)
    assert low <= FIRST and FIRST + dt.timedelta(hours=hours) <= high
    assert axis["dtick"] == 24 * 3600 * 1000  # a day in milliseconds


def test_a_few_days_are_ticked_by_days_and_a_long_axis_is_left_alone() -> None:
    assert labels.days_axis(FIRST, FIRST + dt.timedelta(days=3))["dtick"] == labels.DAY_MS
    assert labels.days_axis(FIRST, LAST) == {}


def test_one_test_of_the_tap_has_a_day_s_axis(train: Train) -> None:
    train.source.readings.all().delete()
    SourceReading.objects.create(source=train.source, at=timezone.now(), total_mg_l=2.0)
    chart = source_chart(train.source, now=timezone.now())
    assert chart is not None
    axis = chart.figure["layout"]["xaxis"]
    low, high = (dt.datetime.fromisoformat(end) for end in axis["range"])
    assert high - low == dt.timedelta(days=1)
    assert axis["tickformat"] == "%-d %b\n%Y"
