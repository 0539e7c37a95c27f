"""The charts: what is in the figures, in the reader's units, with a table behind each."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import numpy as np
import pytest
from django.utils import timezone

from cartridges.models import Estimate, FlowTest, MeterReading, OutletTest, RestrictorFitting, Train
from cartridges.physics.segments import METERED, RESTRICTOR, SHUT, Segments
from cartridges.services import acts, charts_stage, charts_train
from cartridges.services.charts import Chart
from cartridges.services.timeline import Timeline
from hobbyhydro.households.models import User

from .estimate_rows import estimate_train

L_PER_GAL = 3.785411784  # NIST SP 811


@pytest.fixture
def carbon(train: Train) -> Estimate:
    estimate_train(train)
    return Estimate.objects.select_related("stage", "train", "cartridge__spec").get(
        train=train, stage__position=2
    )


def charts_of(estimate: Estimate, units: str = "us") -> dict[str, Chart]:
    line = Timeline(estimate.train, timezone.now())
    return {c.key: c for c in charts_stage.charts(estimate, line=line, units=units)}


def trace(chart: Chart, name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(t for t in chart.figure["data"] if t.get("name") == name)
    return found


def notes(chart: Chart) -> list[str]:
    return [a["text"] for a in chart.figure["layout"].get("annotations", [])]


def colours(value: Any) -> list[str]:
    """Every colour anywhere in a figure."""
    if isinstance(value, dict):
        return [
            c
            for key, each in value.items()
            for c in ([each] if "color" in key and isinstance(each, str) else colours(each))
        ]
    if isinstance(value, list | tuple):
        return [c for each in value for c in colours(each)]
    return []


def test_every_figure_is_plain_json_with_a_table_and_colours_of_the_style_sheet(
    carbon: Estimate,
) -> None:
    found = [
        *charts_of(carbon).values(),
        *charts_train.charts(carbon.train, units="us", now=timezone.now()),
    ]
    assert {c.key for c in found} == {"outlet", "causes", "volume", "flow", "outlets"}
    for chart in found:
        json.dumps(chart.figure)
        assert chart.rows
        assert all(len(row) == len(chart.head) for row in chart.rows)
        assert chart.figure["layout"]["showlegend"] is False
        assert "template" not in chart.figure["layout"]
        named = colours(chart.figure)
        assert named
        assert all(c.startswith("var(--chart-") or c == "rgba(0,0,0,0)" for c in named)


def test_axes_carry_their_units_in_the_reader_s_system(carbon: Estimate) -> None:
    for units, volume in (("us", "gal"), ("metric", "L")):
        found = charts_of(carbon, units)
        title = found["volume"].figure["layout"]["yaxis"]["title"]["text"]
        assert title == f"Water through it ({volume})"
        assert found["outlet"].figure["layout"]["yaxis"]["title"]["text"] == (
            "Total chlorine (mg/L)"
        )


def test_the_outlet_splits_into_past_and_forecast_at_today(carbon: Estimate) -> None:
    chart = charts_of(carbon)["outlet"]
    past, ahead = trace(chart, "past"), trace(chart, "forecast")
    today = timezone.localtime().strftime("%Y-%m-%d %H:%M:%S")
    assert past["x"][-2] <= today < ahead["x"][0]
    assert past["x"][-1] == ahead["x"][0]  # one line, no gap
    assert ahead["line"]["dash"] == "dash"
    low, high = trace(chart, "likely, low"), trace(chart, "likely, high")
    assert all(a <= b for a, b in zip(low["y"], high["y"], strict=True))
    assert high["fill"] == "tonexty"
    assert "your limit 0.10\u00a0mg/L" in notes(chart)
    assert "today" in notes(chart)


def test_tests_below_the_kit_are_open_triangles_at_its_limit(carbon: Estimate, owner: User) -> None:
    now = timezone.now()
    for days, value, below in ((20, 0.1, True), (5, 0.4, False)):
        at = now - dt.timedelta(days=days)
        acts.log(
            OutletTest(
                train=carbon.train, stage=carbon.stage, at=at, value_mg_l=value, below=below
            ),
            by=owner,
        )
    chart = charts_of(carbon)["outlet"]
    below_kit, tests = trace(chart, "tests below what the kit shows"), trace(chart, "tests")
    assert below_kit["marker"]["symbol"] == "triangle-down-open"
    assert below_kit["y"] == [0.1]
    assert tests["marker"]["symbol"] == "diamond"
    assert tests["y"] == [0.4]
    assert chart.figure["layout"]["yaxis"]["range"][1] >= 0.4  # the highest test is to be seen


def test_tests_of_an_earlier_cartridge_are_not_drawn(carbon: Estimate, owner: User) -> None:
    before = carbon.fitted_at - dt.timedelta(days=1)
    acts.log(
        OutletTest(train=carbon.train, stage=carbon.stage, at=before, value_mg_l=0.3), by=owner
    )
    chart = charts_of(carbon)["outlet"]
    assert not [t for t in chart.figure["data"] if "test" in t["name"]]


def test_a_sediment_stage_has_no_outlet_chart(train: Train) -> None:
    estimate_train(train)
    row = Estimate.objects.select_related("stage", "train", "cartridge__spec").get(
        train=train, stage__position=1
    )
    assert "outlet" not in charts_of(row)


def test_volume_counts_the_water_of_the_meter_and_marks_restrictors(
    carbon: Estimate, owner: User
) -> None:
    now = timezone.now()
    acts.log(
        RestrictorFitting(
            train=carbon.train, at=now - dt.timedelta(days=10), rated_flow_l_day=100 * L_PER_GAL
        ),
        by=owner,
    )
    acts.log(
        MeterReading(
            train=carbon.train, meter=carbon.train.meters.get(), at=now, reading_l=3500 * L_PER_GAL
        ),
        by=owner,
    )
    chart = charts_of(carbon)["volume"]
    water = trace(chart, "water through it")
    assert water["y"] == sorted(water["y"])
    assert water["y"][0] == 0
    assert water["y"][-1] == pytest.approx(3500, rel=1e-4)  # what the meter counted
    assert {"50\u00a0gal/day", "100\u00a0gal/day"} <= set(notes(chart))
    assert "the package’s volume 6,000\u00a0gal" in notes(chart)


def test_volume_follows_a_cartridge_through_a_rotation(train: Train, owner: User) -> None:
    middle = timezone.now() - dt.timedelta(days=30)
    spec = train.fittings.get(stage__position=3).cartridge.spec
    [fresh] = acts.buy(household=train.household, spec=spec)
    acts.rotate(train=train, at=middle, by=owner, new_cartridge=fresh)
    estimate_train(train)
    rows = Estimate.objects.select_related("stage", "train", "cartridge__spec")
    moved = charts_of(rows.get(train=train, stage__position=2))["volume"]
    new = charts_of(rows.get(train=train, stage__position=3))["volume"]
    assert trace(moved, "water through it")["y"][-1] == pytest.approx(60 * 50, rel=0.02)
    assert trace(new, "water through it")["y"][-1] == pytest.approx(30 * 50, rel=0.02)


def test_causes_are_ranked_and_say_which_comes_first(carbon: Estimate) -> None:
    chart = charts_of(carbon)["causes"]
    assert [row[0] for row in chart.rows] == ["chlorine at the limit", "package’s volume"]
    assert chart.rows[0][-1] == "always first"
    assert chart.rows[1][-1] == "for comparison"


def test_causes_beyond_ten_years_are_left_out(carbon: Estimate) -> None:
    carbon.details["by_cause"] = {"outlet_limit": [None, None, None]}
    assert "causes" not in charts_of(carbon)


def test_flow_tells_metered_from_the_restrictor_and_shows_what_was_done(
    train: Train, owner: User
) -> None:
    now = timezone.now()
    acts.log(
        FlowTest(train=train, at=now - dt.timedelta(days=2), volume_l=1.0, duration_s=456.5),
        by=owner,
    )
    acts.shut_off(
        train=train,
        at=now - dt.timedelta(days=8),
        until=now - dt.timedelta(days=6),
        by=owner,
    )
    chart = charts_train.flow(train, units="us", now=now)
    assert chart is not None
    assert trace(chart, "metered")["line"]["dash"] == "solid"
    assert trace(chart, "by the restrictor")["line"]["dash"] == "dot"
    # 1 L in 456.5 s is 189.27 L/day, which is 50.0 US gal/day.
    assert trace(chart, "bucket tests")["y"] == [pytest.approx(50.0, rel=1e-3)]
    assert "off" in notes(chart)
    assert "rated 50\u00a0gal/day" in notes(chart)
    assert {row[3] for row in chart.rows} == {"metered", "by the restrictor", "water off"}


def test_flow_leaves_a_gap_while_the_water_is_off(train: Train, owner: User) -> None:
    now = timezone.now()
    start = now - dt.timedelta(days=8)
    acts.shut_off(train=train, at=start, until=now - dt.timedelta(days=6), by=owner)
    chart = charts_train.flow(train, units="us", now=now)
    assert chart is not None
    line = trace(chart, "by the restrictor")
    assert None in line["y"]


def test_no_flow_no_chart(train: Train) -> None:
    train.restrictors.all().delete()
    train.meter_readings.all().delete()
    train.meters.all().delete()
    assert charts_train.flow(train, units="us", now=timezone.now()) is None


def segments(days: int, origins: np.ndarray[Any, Any]) -> Segments:
    start = np.arange(days, dtype=float)
    flow = np.where(origins == SHUT, 0.0, 150.0 + start % 7)
    return Segments(start, start + 1, flow, origins, np.full(days, 0.02))


def test_thinning_keeps_every_litre_and_never_mixes_origins() -> None:
    origins = np.full(3650, METERED, dtype=np.int8)
    origins[1000:1010] = SHUT
    origins[3000:] = RESTRICTOR
    whole = segments(3650, origins)
    thin = charts_train.thinned(whole)
    assert len(thin) <= 405
    assert thin.total_l == pytest.approx(whole.total_l, rel=1e-12)
    for origin in (METERED, SHUT, RESTRICTOR):
        there = [float(s.volume_l[s.origin == origin].sum()) for s in (whole, thin)]
        assert there[0] == pytest.approx(there[1], rel=1e-12)
    off = np.flatnonzero(thin.origin == SHUT)
    assert thin.start_day[off[0]] == 1000
    assert thin.end_day[off[-1]] == 1010


def test_thinning_leaves_gaps_open() -> None:
    whole = segments(800, np.full(800, METERED, dtype=np.int8))
    keep = np.ones(800, dtype=bool)
    keep[300:420] = False
    gapped = Segments(
        whole.start_day[keep],
        whole.end_day[keep],
        whole.flow_l_day[keep],
        whole.origin[keep],
        whole.rel_sd[keep],
    )
    thin = charts_train.thinned(gapped)
    assert thin.total_l == pytest.approx(gapped.total_l, rel=1e-12)
    assert not ((thin.start_day < 420) & (thin.end_day > 300)).any()


def test_few_segments_are_left_alone() -> None:
    few = segments(30, np.full(30, METERED, dtype=np.int8))
    assert charts_train.thinned(few) is few


def test_outlets_name_each_line_and_say_of_one_above_the_axis_that_it_is(train: Train) -> None:
    estimate_train(train)
    row = Estimate.objects.get(train=train, stage__position=2)
    row.details["curve"]["p50"] = [0.9 for _ in row.details["curve"]["p50"]]
    row.save()
    found = {c.key: c for c in charts_train.charts(train, units="us", now=timezone.now())}
    assert {"after stage 2, higher than this", "after stage 3"} <= set(notes(found["outlets"]))
    top = found["outlets"].figure["layout"]["yaxis"]["range"][1]
    assert max(trace(found["outlets"], "after stage 2")["y"]) > top
