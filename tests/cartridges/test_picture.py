"""The train picture: pure geometry, in either arrangement."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from typing import Any
from xml.etree import ElementTree

import pytest
from django.template.loader import render_to_string
from django.utils import timezone

from cartridges.models import Kind, RestrictorFitting, Shutoff
from cartridges.services.overview import TrainNow
from cartridges.services.picture import level_of, pictures
from cartridges.services.picture_shapes import Box, Level, Picture

from .estimate_rows import estimate_row
from .test_home_advice import train_now

DAYS: list[Any] = [(120, 123, 125), (41, 50, 66), (200, 260, 340)]


def both(now: TrainNow, units: str = "us") -> list[Picture]:
    across, down = pictures(now, units=units)
    assert (across.arrangement, down.arrangement) == ("across", "down")
    return [across, down]


def inside(box: Box, picture: Picture) -> bool:
    return (
        box.x >= 0
        and box.y >= 0
        and box.right <= picture.width + 1e-6
        and box.bottom <= picture.height + 1e-6
    )


def apart(one: Box, other: Box) -> bool:
    return (
        one.right <= other.x
        or other.right <= one.x
        or one.bottom <= other.y
        or other.bottom <= one.y
    )


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 7])
def test_every_part_lies_inside_and_no_two_glasses_touch(count: int) -> None:
    kinds = tuple([Kind.SEDIMENT, *[Kind.CARBON_BLOCK] * 6][:count])
    for picture in both(train_now([(10, 20, 30)] * count, kinds=kinds)):
        assert len(picture.housings) == count
        for housing in picture.housings:
            for box in (housing.part.box, housing.glass, housing.head, housing.mark):
                assert inside(box, picture)
        for part in (picture.tap, picture.restrictor, picture.tanks):
            assert inside(part.box, picture)
        glasses = [h.glass for h in picture.housings]
        assert all(apart(a, b) for k, a in enumerate(glasses) for b in glasses[k + 1 :])
        lines = [line for h in picture.housings for line in h.part.lines]
        assert all(0 <= line.x <= picture.width and 0 <= line.y <= picture.height for line in lines)


def test_water_runs_left_to_right_and_top_to_bottom() -> None:
    across, down = both(train_now(DAYS))
    xs = [across.tap.box.x, *(h.glass.x for h in across.housings)]
    xs += [across.restrictor.box.x, across.tanks.box.x]
    ys = [down.tap.box.y, *(h.glass.y for h in down.housings)]
    ys += [down.restrictor.box.y, down.tanks.box.y]
    assert xs == sorted(xs)
    assert ys == sorted(ys)
    assert len({h.glass.y for h in across.housings}) == 1
    assert len({h.glass.x for h in down.housings}) == 1


def test_the_level_is_the_share_of_life_left_by_each_date() -> None:
    now = timezone.now()
    stage = train_now(DAYS).stages[1].stage
    row = estimate_row(stage.train, stage, 20, 60, 180)  # fitted 60 days ago
    level = level_of(row, moment=row.computed_at)
    assert level.p10 == pytest.approx(20 / 80)
    assert level.p50 == pytest.approx(60 / 120)
    assert level.p90 == pytest.approx(180 / 240)
    row.p10_at = now - dt.timedelta(days=3)
    row.p90_at = None
    level = level_of(row, moment=row.computed_at)
    assert (level.p10, level.p90) == (0.0, 1.0)


def test_a_cartridge_fitted_this_moment_and_spent_this_moment_is_empty() -> None:
    stage = train_now(DAYS).stages[1].stage
    row = estimate_row(stage.train, stage, 0, 0, 0)
    row.fitted_at = row.computed_at
    assert level_of(row, moment=row.computed_at) == Level(0.0, 0.0, 0.0)


def test_the_edge_is_blurred_between_the_low_and_the_high_tenth() -> None:
    level = Level(p10=0.2, p50=0.5, p90=0.7)
    assert (level.clear_at, level.half_at, level.full_at) == (0.3, 0.5, 0.8)
    for picture in both(train_now(DAYS)):
        for housing in picture.housings:
            assert housing.level is not None
            level = housing.level
            assert 0 <= level.clear_at <= level.half_at <= level.full_at <= 1


def test_the_middle_line_stands_at_the_middle_outcome() -> None:
    across, _ = both(train_now([(30, 60, 90), (41, 50, 66), (200, 260, 340)]))
    glass = across.housings[0].glass
    found = re.fullmatch(r"M[\d.]+ ([\d.]+)H[\d.]+", across.housings[0].level_line)
    assert found is not None
    # 60 of 120 days are left: the line is half-way down the glass.
    assert float(found[1]) == pytest.approx(glass.y + glass.h / 2, abs=0.1)


def test_nothing_known_draws_an_empty_glass_with_a_word() -> None:
    for picture in both(train_now([None, (41, 50, 66), (200, 260, 340)])):
        first = picture.housings[0]
        assert first.level is None
        assert first.level_line == ""
        assert first.state == "unknown"
        assert "not known" in first.part.label
        assert any(line.text == "not known" for line in first.part.lines)


@pytest.mark.parametrize(
    ("p10", "state", "word"), [(41, "ok", "fine"), (14, "soon", "soon"), (0, "now", "due")]
)
def test_state_is_told_by_word_and_by_shape(p10: int, state: str, word: str) -> None:
    across, down = both(train_now([(120, 123, 125), (p10, 50, 66), (200, 260, 340)]))
    for picture in (across, down):
        housing = picture.housings[1]
        assert housing.state == state
        assert word in housing.part.label
    shapes = {
        dataclasses.replace(across.housings[1], state=s).mark_path for s in ("ok", "soon", "now")
    }
    assert len(shapes) == 3


def test_text_equivalents_carry_days_spread_and_outlet() -> None:
    for picture in both(train_now(DAYS)):
        assert picture.housings[1].part.label == (
            "Stage 2, carbon block: most likely 50 days, fine; likely between 41 and 66 days; "
            "plan for 41 days; 0.02\u00a0mg/L after it"
        )
        assert picture.tap.label == "Tap, 2.00\u00a0mg/L, chloramine"
        assert "below your limit" in picture.tanks.label


def test_names_the_most_likely_and_the_planned_day_beside_the_glass() -> None:
    for picture in both(train_now([(120, 120, 120), (6, 12, 19), (0, 5, None)])):
        first, second, third = ([line.text for line in h.part.lines] for h in picture.housings)
        assert first[1:] == ["120 days"]  # all three dates are one: nothing to add
        assert second[1:4] == ["12 days", "likely 6–19 days", "plan for: 6 days"]
        assert third[1:4] == ["5 days", "likely from now on", "plan for: now"]


def test_lines_of_a_housing_stand_clear_of_the_next() -> None:
    _, down = both(train_now([(6, 12, 19)] * 3, kinds=(Kind.CARBON_BLOCK,) * 3))
    for one, other in zip(down.housings, down.housings[1:], strict=False):
        assert len(one.part.lines) == 5
        assert one.part.lines[-1].y <= other.part.lines[0].y - 14  # a line of text is 14 high


def test_speaks_the_reader_s_units() -> None:
    now = dataclasses.replace(
        train_now(DAYS), restrictor=RestrictorFitting(rated_flow_l_day=302.832942)
    )
    us, metric = (both(now, units)[0].restrictor.label for units in ("us", "metric"))
    # 302.832942 L is 80 US gal, 189.27 L is 50.0 US gal (1 US gal = 3.785411784 L, NIST SP 811).
    assert us == "Restrictor, 50.0\u00a0gal/day, rated 80\u00a0gal/day"
    assert metric == "Restrictor, 189\u00a0L/day, rated 303\u00a0L/day"


def test_shut_water_says_so() -> None:
    shut = dataclasses.replace(train_now(DAYS), shut=Shutoff(at=timezone.now()))
    for picture in both(shut):
        assert picture.restrictor.label == "Water off"
        assert "water off" in picture.tanks.label


@pytest.mark.django_db
def test_renders_as_well_formed_svg_with_unique_ids_and_no_inline_style() -> None:
    now = train_now(DAYS)
    now.train.name = "Rack <&> “two”"
    html = render_to_string(
        "cartridges/parts/picture.html",
        {"pictures": pictures(now, units="us"), "train_id": 1, "source_id": 1, "shut": None},
    )
    root = ElementTree.fromstring(f"<div>{html.replace('&nbsp;', ' ')}</div>")
    assert len(root.findall("svg")) == 2
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids)) == 6
    filled = re.findall(r'fill="url\(#([^)]+)\)"', html)
    assert sorted(filled) == sorted(ids)
    assert not [e for e in root.iter() if e.get("style")]
    links = list(root.iter("a"))
    assert len(links) == 2 * 6
    assert all(e.get("href") and e.get("aria-label") for e in links)
