"""Visits brought together: sums worked by hand, and what may never happen."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cartridges.physics.plan import Renewal, Visit, merge_visits

PRICES = {"sediment": 12.0, "block": 30.0}


def renewal(
    day: float,
    stage: int,
    *,
    life_days: float = 100.0,
    medium_key: str = "block",
    group: int | None = None,
) -> Renewal:
    return Renewal(
        day=day,
        stage=stage,
        medium_key=medium_key,
        cause="outlet_limit",
        rotation=False,
        worn=0.1,
        replaced="",
        life_days=life_days,
        group=stage if group is None else group,
    )


def days_and_stages(visits: tuple[Visit, ...]) -> list[tuple[float, list[int]]]:
    return [(visit.day, [one.stage for one in visit.renewals]) for visit in visits]


def test_a_swap_comes_forward_when_it_throws_away_less_than_the_visit() -> None:
    """10 of 100 days of a cartridge of 30 are 3.00, a visit is 5.00."""
    visits = merge_visits([renewal(50.0, 1), renewal(60.0, 2)], price_of=PRICES, visit_cost=5.0)
    assert days_and_stages(visits) == [(50.0, [1, 2])]
    (visit,) = visits
    assert visit.wasted == pytest.approx(3.0)
    assert visit.saved == 5.0
    assert visit.brought_together
    assert [one.day for one in visit.renewals] == [50.0, 60.0]


def test_a_swap_stays_when_it_would_throw_away_more() -> None:
    """20 of 100 days of a cartridge of 30 are 6.00."""
    visits = merge_visits([renewal(70.0, 2), renewal(50.0, 1)], price_of=PRICES, visit_cost=5.0)
    assert days_and_stages(visits) == [(50.0, [1]), (70.0, [2])]
    assert [(one.wasted, one.saved, one.brought_together) for one in visits] == [
        (0.0, 0.0, False)
    ] * 2


def test_the_sum_that_equals_the_visit_saves_nothing_and_moves_nothing() -> None:
    """10 of 60 days of 30 are exactly 5.00."""
    visits = merge_visits(
        [renewal(50.0, 1), renewal(60.0, 2, life_days=60.0)], price_of=PRICES, visit_cost=5.0
    )
    assert len(visits) == 2
    assert merge_visits([renewal(0.0, 1), renewal(0.5, 2)], price_of=PRICES, visit_cost=0.0)[1]


def test_two_that_are_due_together_come_forward_together_or_not_at_all() -> None:
    """Each throws away 3.00; moving one alone would save no visit, both together cost 6.00."""
    plan = [renewal(50.0, 1), renewal(60.0, 2), renewal(60.0, 3)]
    assert days_and_stages(merge_visits(plan, price_of=PRICES, visit_cost=5.0)) == [
        (50.0, [1]),
        (60.0, [2, 3]),
    ]
    (visit,) = merge_visits(plan, price_of=PRICES, visit_cost=6.01)
    assert (visit.wasted, visit.saved) == (pytest.approx(6.0), 6.01)


def test_what_is_due_at_one_moment_is_one_visit_and_saves_none() -> None:
    (visit,) = merge_visits(
        [renewal(50.0, 1, group=1), renewal(50.0, 2, group=1), renewal(50.0, 3)],
        price_of=PRICES,
        visit_cost=5.0,
    )
    assert (visit.wasted, visit.saved, visit.brought_together) == (0.0, 0.0, False)


def test_several_come_forward_one_after_the_other() -> None:
    """0.84 for 7 of 100 days of 12, then 3.60 for 12 of 100 days of 30: two visits are saved."""
    (visit,) = merge_visits(
        [
            renewal(10.0, 2),
            renewal(17.0, 1, medium_key="sediment"),
            renewal(22.0, 3),
        ],
        price_of=PRICES,
        visit_cost=4.0,
    )
    assert [one.stage for one in visit.renewals] == [1, 2, 3]
    assert visit.wasted == pytest.approx(0.84 + 3.60)
    assert visit.saved == 8.0


def test_one_that_came_forward_is_due_as_much_earlier_ever_after() -> None:
    """Stage 2 comes 5 days early, so its successor, due on day 160 by itself, is due on day 155."""
    visits = merge_visits(
        [renewal(55.0, 1), renewal(60.0, 2), renewal(160.0, 2), renewal(400.0, 1)],
        price_of=PRICES,
        visit_cost=2.0,
    )
    assert days_and_stages(visits) == [(55.0, [1, 2]), (155.0, [2]), (400.0, [1])]
    assert visits[1].renewals[0].day == 155.0


def test_a_group_is_not_brought_to_its_own_last_visit() -> None:
    """Two renewals of one stage a day apart stay two visits, however cheap the cartridge."""
    visits = merge_visits(
        [renewal(50.0, 1), renewal(51.0, 1)], price_of={"block": 0.0}, visit_cost=9.0
    )
    assert [visit.day for visit in visits] == [50.0, 51.0]


def test_a_swap_whose_price_nobody_knows_stays_where_it_is() -> None:
    visits = merge_visits([renewal(50.0, 1), renewal(50.5, 2)], price_of={}, visit_cost=50.0)
    assert len(visits) == 2


def test_a_life_of_no_days_loses_all_of_its_value() -> None:
    plan = [renewal(50.0, 1), renewal(51.0, 2, life_days=0.0)]
    assert len(merge_visits(plan, price_of=PRICES, visit_cost=29.0)) == 2
    assert merge_visits(plan, price_of=PRICES, visit_cost=31.0)[0].wasted == 30.0


def test_no_renewal_makes_no_visit_and_bad_money_is_refused() -> None:
    assert merge_visits([], price_of={}, visit_cost=1.0) == ()
    for cost in (-1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="cost of a visit"):
            merge_visits([], price_of={}, visit_cost=cost)
    for price in (-1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="price of block"):
            merge_visits([], price_of={"block": price}, visit_cost=1.0)
    with pytest.raises(ValueError, match="finite"):
        renewal(math.inf, 1)
    with pytest.raises(ValueError, match="life"):
        renewal(0.0, 1, life_days=-1.0)


renewals = st.lists(
    st.builds(
        renewal,
        st.floats(0.0, 730.0),
        st.integers(1, 4),
        life_days=st.floats(1.0, 400.0),
        medium_key=st.sampled_from(["block", "sediment"]),
    ),
    max_size=25,
    unique_by=lambda one: (one.stage, one.day),
)


@settings(max_examples=200, deadline=None)
@given(renewals, st.floats(0.0, 60.0))
def test_waste_never_exceeds_savings_and_nothing_is_put_off(
    plan: list[Renewal], visit_cost: float
) -> None:
    visits = merge_visits(plan, price_of=PRICES, visit_cost=visit_cost)
    assert [visit.day for visit in visits] == sorted({visit.day for visit in visits})
    made: dict[int, list[tuple[float, float]]] = {}
    for visit in visits:
        assert visit.wasted <= visit.saved
        assert visit.brought_together == (visit.saved > 0.0)
        assert len({one.stage for one in visit.renewals}) == len(visit.renewals)
        for one in visit.renewals:
            assert visit.day <= one.day
            made.setdefault(one.stage, []).append((visit.day, one.day))
    assert sum(len(visit.renewals) for visit in visits) == len(plan)
    for stage, moments in made.items():
        by_itself = sorted(one.day for one in plan if one.stage == stage)
        assert all(
            visit <= due <= alone + 1e-6
            for (visit, due), alone in zip(moments, by_itself, strict=True)
        )
        # From one renewal of a stage to the next is never longer than it was.
        for (before, _), (after, _), first, second in zip(
            moments, moments[1:], by_itself, by_itself[1:], strict=False
        ):
            assert after - before <= second - first + 1e-6


@settings(max_examples=100, deadline=None)
@given(renewals)
def test_visits_that_cost_nothing_are_the_days_that_are_due(plan: list[Renewal]) -> None:
    visits = merge_visits(plan, price_of=PRICES, visit_cost=0.0)
    assert sum(visit.saved + visit.wasted for visit in visits) == 0.0
    assert len(visits) <= len(plan)
    assert {one.day for visit in visits for one in visit.renewals} <= {one.day for one in plan}
