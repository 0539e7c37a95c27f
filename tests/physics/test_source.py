"""Source water between tests, in switch periods, and in the future: each rule by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cartridges.physics.source import (
    BIAS_REL_SD,
    CAP_REL_SD,
    KIT_REL_SD,
    WIDENING_DAYS,
    SourceSeries,
    SourceSteps,
    SwitchPeriod,
    TotalBelowFree,
    TotalUnknown,
    future_source_steps,
    mean_over,
    source_at,
    source_steps,
)

NAN = np.nan
FREE, CHLORAMINE = "free_chlorine", "chloramine"


def level(
    day: float,
    readings: SourceSeries,
    *switches: SwitchPeriod,
    disinfectant: str = CHLORAMINE,
) -> tuple[float, float]:
    """Free and combined just after `day`, rounded to 1e-9."""
    at = source_at(day=day, readings=readings, switches=switches, disinfectant=disinfectant)
    return round(at.free_mg_l, 9), round(at.combined_mg_l, 9)


def test_last_value_is_carried_and_the_first_is_carried_back() -> None:
    readings = SourceSeries([0, 10], [0.2, 0.4], [2.0, 3.0])
    assert level(-100, readings) == (0.2, 1.8)
    assert level(9.99, readings) == (0.2, 1.8)
    assert level(10, readings) == (0.4, 2.6)
    assert level(5000, readings) == (0.4, 2.6)


def test_steps_tile_the_time_asked_for() -> None:
    readings = SourceSeries([0, 10, 95], [0.2, 0.4, 0.1], [2.0, 3.0, 2.5])
    steps = source_steps(
        readings=readings,
        switches=[SwitchPeriod(30, 50)],
        disinfectant=CHLORAMINE,
        start_day=-7,
        end_day=300,
    )
    assert (steps.start_day[0], steps.end_day[-1]) == (-7, 300)
    assert (steps.start_day[1:] == steps.end_day[:-1]).all()
    for start, free, combined in zip(
        steps.start_day, steps.free_mg_l, steps.combined_mg_l, strict=True
    ):
        assert level(start, readings, SwitchPeriod(30, 50)) == (
            round(free, 9),
            round(combined, 9),
        )


def test_order_of_logging_does_not_matter() -> None:
    day, free, total = np.arange(6) * 9.0, np.linspace(0, 1, 6), np.linspace(2, 3, 6)
    order = [3, 0, 5, 1, 4, 2]
    asked = {"switches": (), "disinfectant": CHLORAMINE, "start_day": 0, "end_day": 60}
    sorted_steps = source_steps(readings=SourceSeries(day, free, total), **asked)
    shuffled = source_steps(readings=SourceSeries(day[order], free[order], total[order]), **asked)
    for name in ("start_day", "free_mg_l", "combined_mg_l", "rel_sd"):
        assert getattr(sorted_steps, name).tolist() == getattr(shuffled, name).tolist()


def test_in_a_switch_to_free_chlorine_all_of_the_total_is_free() -> None:
    readings = SourceSeries([0], [0.2], [2.0])
    switch = SwitchPeriod(30, 60)
    assert level(29.9, readings, switch) == (0.2, 1.8)
    assert level(30, readings, switch) == (2.0, 0.0)
    assert level(60, readings, switch) == (0.2, 1.8)


def test_in_a_switch_to_chloramine_all_of_the_total_is_combined() -> None:
    readings = SourceSeries([0], [1.4], [1.5])
    switch = SwitchPeriod(30, 60, to=CHLORAMINE)
    assert level(30, readings, switch, disinfectant=FREE) == (0.0, 1.5)
    assert level(60, readings, switch, disinfectant=FREE) == (1.4, 0.1)


def test_a_reading_inside_a_switch_counts_inside_it_and_nowhere_else() -> None:
    readings = SourceSeries([0, 40], [0.2, 3.1], [2.0, 3.3])
    first, second = SwitchPeriod(30, 60), SwitchPeriod(200, 230)
    assert level(35, readings, first, second) == (2.0, 0.0)
    assert level(45, readings, first, second) == (3.1, 0.2)
    assert level(60, readings, first, second) == (0.2, 1.8)
    assert level(210, readings, first, second) == (2.0, 0.0)


def test_usual_readings_made_after_a_switch_do_not_reach_back_into_it() -> None:
    readings = SourceSeries([0, 70], [0.2, 0.1], [2.0, 2.8])
    switch = SwitchPeriod(30, 60)
    assert level(50, readings, switch) == (2.0, 0.0)
    assert level(65, readings, switch) == (0.2, 1.8)
    assert level(70, readings, switch) == (0.1, 2.7)


def test_a_switch_to_the_usual_disinfectant_changes_nothing() -> None:
    readings = SourceSeries([0, 40], [0.2, 0.3], [2.0, 2.2])
    same = SwitchPeriod(30, 60, to=CHLORAMINE)
    for day in (10, 35, 45, 80):
        assert level(day, readings, same) == level(day, readings)


def test_only_readings_inside_a_switch_still_give_the_usual_water_a_total() -> None:
    readings = SourceSeries([40], [3.0], [3.2])
    switch = SwitchPeriod(30, 60)
    assert level(0, readings, switch) == (0.0, 3.2)
    assert level(40, readings, switch) == (3.0, 0.2)


def test_overlapping_declared_periods_are_one() -> None:
    readings = SourceSeries([0, 45], [0.2, 2.5], [2.0, 2.5])
    apart = (SwitchPeriod(30, 50), SwitchPeriod(40, 60))
    for day in (29, 30, 44, 46, 55, 60):
        assert level(day, readings, *apart) == level(day, readings, SwitchPeriod(30, 60))


def test_free_alone_in_free_chlorine_water_keeps_the_last_known_combined() -> None:
    readings = SourceSeries([0, 10, 20], [1.0, 0.6, NAN], [1.2, NAN, 0.9])
    assert level(10, readings, disinfectant=FREE) == (0.6, 0.2)
    assert level(20, readings, disinfectant=FREE) == (0.7, 0.2)


def test_free_chlorine_water_never_tested_for_total_has_no_combined() -> None:
    readings = SourceSeries([0, 10], [1.0, 0.6], [NAN, NAN])
    assert level(10, readings, disinfectant=FREE) == (0.6, 0.0)


def test_total_alone_in_free_chlorine_water_is_all_free() -> None:
    assert level(0, SourceSeries([0], [NAN], [1.5]), disinfectant=FREE) == (1.5, 0.0)


def test_free_and_total_noted_minutes_apart_are_one_test() -> None:
    readings = SourceSeries([0, 0.01], [1.5, NAN], [NAN, 1.8])
    assert level(0.02, readings, disinfectant=FREE) == (1.5, 0.3)
    days_apart = SourceSeries([0, 5], [1.5, NAN], [NAN, 1.8])
    assert level(5, days_apart, disinfectant=FREE) == (1.8, 0.0)


def test_total_alone_with_chloramine_keeps_the_last_known_free() -> None:
    readings = SourceSeries([0, 10, 20], [0.3, NAN, NAN], [2.0, 2.5, 0.2])
    assert level(10, readings) == (0.3, 2.2)
    assert level(20, readings) == (0.2, 0.0)
    assert level(0, SourceSeries([0], [NAN], [2.5])) == (0.0, 2.5)


def test_free_alone_with_chloramine_keeps_the_last_known_total() -> None:
    readings = SourceSeries([0, 10, 20], [0.1, 0.4, 0.2], [NAN, NAN, 2.5])
    assert level(0, readings) == (0.1, 2.4)
    assert level(10, readings) == (0.4, 2.1)
    later = SourceSeries([0, 10], [0.1, 0.4], [3.0, NAN])
    assert level(10, later) == (0.4, 2.6)


def test_chloramine_of_which_only_free_is_known_is_refused() -> None:
    with pytest.raises(TotalUnknown, match="at least one total"):
        level(0, SourceSeries([0, 10], [0.1, 0.4], [NAN, NAN]))


def test_free_and_total_logged_apart_at_one_moment_are_put_together() -> None:
    apart = SourceSeries([3, 3], [0.4, NAN], [NAN, 2.0])
    assert level(3, apart) == (0.4, 1.6)
    assert len(apart) == 1


def mean_widening(start_age: float, end_age: float) -> float:
    """Mean of 1 - e^(-age/30) by a fine trapezium rule: not the closed form of the code."""
    ages = np.linspace(start_age, end_age, 20_001)
    return float(np.trapezoid(1 - np.exp(-ages / WIDENING_DAYS), ages) / (end_age - start_age))


def test_doubt_widens_with_age_up_to_the_cap_by_the_stated_rule() -> None:
    steps = source_steps(
        readings=SourceSeries([0], [0.2], [2.0]),
        switches=(),
        disinfectant=CHLORAMINE,
        start_day=-20,
        end_day=1000,
    )
    assert steps.start_day.tolist() == [-20, 0, 15, 60]
    assert steps.rel_sd[0] == CAP_REL_SD
    for rel_sd, start, end in zip(
        steps.rel_sd[1:], steps.start_day[1:], steps.end_day[1:], strict=True
    ):
        widened = (CAP_REL_SD**2 - KIT_REL_SD**2) * mean_widening(start, end)
        assert rel_sd == pytest.approx(np.sqrt(KIT_REL_SD**2 + widened), rel=1e-6)
    assert (np.diff(steps.rel_sd[1:]) > 0).all()
    assert steps.rel_sd[-1] < CAP_REL_SD


@pytest.mark.parametrize(
    ("every_days", "least", "most"), [(1, 0.055, 0.065), (7, 0.09, 0.11), (365, 0.22, 0.25)]
)
def test_water_tested_often_is_known_better(every_days: int, least: float, most: float) -> None:
    day = np.arange(0, 1500, every_days)
    steps = source_steps(
        readings=SourceSeries(day, np.zeros(len(day)), np.full(len(day), 2.0)),
        switches=(),
        disinfectant=CHLORAMINE,
        start_day=365,
        end_day=1460,
    )
    overall = mean_over(steps, start_day=365, end_day=1460).rel_sd
    assert least < overall < most
    assert steps.rel_sd.min() > BIAS_REL_SD


def test_only_the_last_month_of_readings_counts_together() -> None:
    def doubt(days: list[float]) -> float:
        readings = SourceSeries(days, [0.0] * len(days), [2.0] * len(days))
        return source_at(
            day=days[-1], readings=readings, switches=(), disinfectant=CHLORAMINE
        ).rel_sd

    alone = doubt([1000.0])
    assert alone == pytest.approx(KIT_REL_SD, rel=1e-5)
    assert doubt([*np.arange(0.0, 969.0, 3.0), 1000.0]) == pytest.approx(alone, rel=1e-9)
    # Two readings within the month: 0.05² + (0.10² - 0.05²)/2.
    assert doubt([980.0, 1000.0]) == pytest.approx(np.sqrt(0.05**2 + 0.0075 / 2), rel=1e-5)


def test_a_period_known_by_declaration_alone_is_as_doubtful_as_can_be() -> None:
    readings = SourceSeries([0, 45], [0.2, 2.5], [2.0, 2.5])
    asked = {"readings": readings, "switches": [SwitchPeriod(30, 60)], "disinfectant": CHLORAMINE}
    assert source_at(day=31, **asked).rel_sd == CAP_REL_SD
    assert source_at(day=46, **asked).rel_sd < CAP_REL_SD


def future(
    readings: SourceSeries, *switches: SwitchPeriod, now_day: float, end_day: float
) -> SourceSteps:
    return future_source_steps(
        readings=readings,
        switches=switches,
        disinfectant=CHLORAMINE,
        now_day=now_day,
        end_day=end_day,
    )


def test_one_odd_sample_does_not_decide_the_future() -> None:
    # 20 days of the last 30 at 2.0, then 10 at 3.5: (20 · 2.0 + 10 · 3.5) / 30 = 2.5.
    readings = SourceSeries([0, 90], [0.0, 0.0], [2.0, 3.5])
    steps = future(readings, now_day=100, end_day=1000)
    assert steps.total_mg_l == pytest.approx(np.full(len(steps), 2.5))
    assert (steps.start_day[0], steps.end_day[-1]) == (100, 1000)


def test_a_sparse_tester_gets_the_last_value() -> None:
    steps = future(SourceSeries([0, 50], [0, 0], [2.0, 3.5]), now_day=100, end_day=200)
    assert steps.total_mg_l == pytest.approx(np.full(len(steps), 3.5))


def test_time_before_the_first_reading_does_not_weigh_in() -> None:
    readings = SourceSeries([90, 95], [0, 0], [2.0, 3.0])
    assert future(readings, now_day=100, end_day=101).total_mg_l == pytest.approx([2.5])
    assert future(readings, now_day=90, end_day=91).total_mg_l == pytest.approx([2.0])


def test_time_in_a_switch_is_left_out_of_the_usual_mean() -> None:
    # Usual water: 20 days at 2.0 up to day 50, a switch to day 90, then 10 days at 3.5.
    readings = SourceSeries([0, 60, 90], [0, 9.0, 0], [2.0, 9.0, 3.5])
    steps = future(readings, SwitchPeriod(50, 90), now_day=100, end_day=110)
    assert steps.total_mg_l == pytest.approx(np.full(len(steps), 2.5))


def test_declared_periods_to_come_are_honoured() -> None:
    steps = future(
        SourceSeries([0], [0.2], [2.0]), SwitchPeriod(120, 150), now_day=100, end_day=200
    )
    inside = (steps.start_day >= 120) & (steps.end_day <= 150)
    assert steps.free_mg_l[inside] == pytest.approx(np.full(inside.sum(), 2.0))
    assert steps.combined_mg_l[inside].tolist() == [0.0] * inside.sum()
    assert steps.free_mg_l[~inside] == pytest.approx(np.full((~inside).sum(), 0.2))
    assert {120.0, 150.0} <= set(steps.start_day)


def test_a_period_under_way_goes_on_at_the_mean_of_its_own_readings() -> None:
    readings = SourceSeries([0, 90, 95], [0.2, 3.0, 2.0], [2.0, 3.0, 2.0])
    steps = future(readings, SwitchPeriod(80, 120), now_day=100, end_day=140)
    assert steps.free_mg_l[steps.end_day <= 120] == pytest.approx(2.5)
    assert steps.free_mg_l[steps.start_day >= 120] == pytest.approx(0.2)


def test_readings_after_now_are_not_used() -> None:
    readings = SourceSeries([0, 90, 105, 150], [0.2, 3.0, 1.0, 0.4], [2.0, 3.0, 1.0, 4.0])
    steps = future(readings, SwitchPeriod(80, 120), now_day=100, end_day=200)
    assert steps.free_mg_l[steps.end_day <= 120] == pytest.approx(3.0)
    assert steps.total_mg_l[steps.start_day >= 120] == pytest.approx(2.0)
    not_yet = SourceSeries([0, 105], [0.2, 1.0], [2.0, 1.0])
    steps = future(not_yet, SwitchPeriod(80, 120), now_day=100, end_day=110)
    assert steps.free_mg_l.tolist() == [2.0]


def test_a_period_with_no_known_end_goes_on() -> None:
    steps = future(
        SourceSeries([0], [0.2], [2.0]), SwitchPeriod(80, np.inf), now_day=100, end_day=140
    )
    assert steps.free_mg_l.tolist() == [2.0] * len(steps)


def test_doubt_of_the_future_goes_on_widening() -> None:
    steps = future(SourceSeries([99], [0.2], [2.0]), now_day=100, end_day=1000)
    assert (np.diff(steps.rel_sd) > 0).all()
    assert KIT_REL_SD < steps.rel_sd[0] < steps.rel_sd[-1] < CAP_REL_SD


def test_mean_over_weighs_by_time() -> None:
    steps = SourceSteps([0, 10], [10, 40], [1.0, 0.0], [0.0, 3.0], [0.1, 0.2])
    mean = mean_over(steps, start_day=0, end_day=20)
    assert (mean.free_mg_l, mean.combined_mg_l) == (0.5, 1.5)
    # The chlorine delivered: 10 mg·day/L at 10 %, 30 at 20 %.
    assert mean.rel_sd == pytest.approx(0.175)
    assert mean_over(steps, start_day=-50, end_day=5).free_mg_l == 1.0
    with pytest.raises(ValueError, match="no part"):
        mean_over(steps, start_day=41, end_day=50)


def test_total_below_free_is_refused_with_its_place() -> None:
    with pytest.raises(TotalBelowFree, match="1.5 mg/L.*2 mg/L") as refused:
        SourceSeries([5, 0], [0.1, 2.0], [2.0, 1.5])
    assert refused.value.index == 1


def test_total_below_free_within_the_kits_error_is_taken_as_no_combined() -> None:
    assert level(0, SourceSeries([0], [2.0], [1.7]), disinfectant=FREE) == (2.0, 0.0)
    assert level(0, SourceSeries([0], [0.1], [0.0])) == (0.1, 0.0)
    after_some = SourceSeries([0, 9], [1.0, 2.0], [1.2, 1.9])
    assert level(9, after_some, disinfectant=FREE) == (2.0, 0.0)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([0], [-0.1], [2.0]), "free chlorine must"),
        (([0], [0.1], [-2.0]), "total chlorine must"),
        (([0], [np.inf], [NAN]), "free chlorine must"),
        (([NAN], [0.1], [2.0]), "days must be finite"),
        (([0, 1], [0.1], [2.0]), "equally long"),
        (([0, 0], [0.1, 0.2], [2.0, 2.0]), "two different readings"),
        (([0, 0], [2.0, NAN], [NAN, 1.0]), "below free"),
    ],
)
def test_impossible_readings_are_refused(arguments: tuple[object, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        SourceSeries(*arguments)


def test_other_bad_arguments_are_refused() -> None:
    fine = {
        "readings": SourceSeries([0], [0.1], [2.0]),
        "switches": (),
        "disinfectant": CHLORAMINE,
        "start_day": 0,
        "end_day": 1,
    }
    for change, words in (
        ({"readings": SourceSeries([], [], [])}, "at least one reading"),
        ({"readings": SourceSeries([0], [NAN], [NAN])}, "at least one reading"),
        ({"disinfectant": "ozone"}, "ozone"),
        ({"end_day": 0}, "end after the start"),
        ({"start_day": NAN}, "finite"),
    ):
        with pytest.raises(ValueError, match=words):
            source_steps(**(fine | change))
    with pytest.raises(ValueError, match="end after it starts"):
        SwitchPeriod(5, 5)
    with pytest.raises(ValueError, match="ozone"):
        SwitchPeriod(5, 6, to="ozone")
    with pytest.raises(ValueError, match="free_mg_l"):
        SourceSteps([0], [1], [-1.0], [1.0], [0.1])
