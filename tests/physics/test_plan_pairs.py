"""The plan against an independent plain simulation: numbers stepped from day to day by one bed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cartridges.physics.levels import SourceSteps
from cartridges.physics.train import Medium

from .plans import PlainTrain, new_train, plan, spec_of, water, weak_carbon
from .scenarios import BOTH, CARBON

FLOW_L_DAY = 300.0
LIMIT_MG_L = 0.1


def plain(
    media: list[Medium], source: SourceSteps, *, flow_l_day: float = FLOW_L_DAY, substeps: int = 1
) -> PlainTrain:
    def levels(day: float) -> tuple[float, float]:
        index = int(np.searchsorted(source.start_day, day, side="right")) - 1
        return float(source.free_mg_l[index]), float(source.combined_mg_l[index])

    return PlainTrain([spec_of(one) for one in media], flow_l_day, levels, substeps)


STEADY = water((0.0, 2.0, 0.0))
CHANGING = water((0.0, 1.0, 0.0), (90.0, 3.2, 0.0), (150.0, 0.6, 0.0), (400.0, 2.0, 0.0))
LARGE = replace(CARBON, key="large", capacity_mg=150_000.0)


@pytest.mark.parametrize("source", [STEADY, CHANGING])
@pytest.mark.parametrize("media", [[CARBON] * 2, [CARBON] * 3, [LARGE, LARGE]])
def test_a_rotating_chain_agrees_with_the_plain_simulation(
    media: list[Medium], source: SourceSteps
) -> None:
    found = plan(new_train(*media, source=source), horizon_days=1500.0).renewals
    expected = plain(media, source).swaps(
        limit_mg_l=LIMIT_MG_L, watched=1, rotates=True, until_day=1500.0
    )
    assert len(found) == len(expected) >= 4
    np.testing.assert_allclose([one.day for one in found], [day for day, _ in expected], atol=0.01)
    np.testing.assert_allclose(
        [one.worn for one in found], [left for _, left in expected], atol=1e-4
    )


@pytest.mark.parametrize("source", [STEADY, CHANGING])
def test_a_same_day_pair_agrees_with_the_plain_simulation(source: SourceSteps) -> None:
    media = [CARBON, CARBON]
    found = plan(new_train(*media, source=source), "same_day", horizon_days=1500.0).renewals
    expected = plain(media, source).swaps(
        limit_mg_l=LIMIT_MG_L, watched=2, rotates=False, until_day=1500.0
    )
    first = [one for one in found if one.stage == 1]
    assert len(first) == len(expected) >= 4
    np.testing.assert_allclose([one.day for one in first], [day for day, _ in expected], atol=0.01)
    np.testing.assert_allclose(
        [one.worn for one in first], [left for _, left in expected], atol=1e-4
    )
    assert [one.day for one in found if one.stage == 2] == [one.day for one in first]


def test_a_pair_too_weak_alone_agrees_with_the_plain_simulation() -> None:
    """2.5 transfer units each: one bed lets 8 % through, two hold 5 % only while both are fresh."""
    weak = weak_carbon(transfer_units=2.5, flow_l_day=FLOW_L_DAY, capacity_mg=60_000.0)
    found = plan(new_train(weak, weak), horizon_days=1500.0).renewals
    expected = plain([weak, weak], STEADY).swaps(
        limit_mg_l=LIMIT_MG_L, watched=2, rotates=True, until_day=1500.0
    )
    assert len(found) == len(expected) >= 4
    np.testing.assert_allclose([one.day for one in found], [day for day, _ in expected], atol=0.01)


def test_a_declared_switch_ahead_is_part_of_the_plan() -> None:
    """Chloramine, and a month of free chlorine twice a year; within a day of the plain route."""
    source = water(
        (0.0, 0.1, 1.9),
        (100.0, 2.4, 0.0),
        (130.0, 0.1, 1.9),
        (283.0, 2.4, 0.0),
        (313.0, 0.1, 1.9),
    )
    media = [BOTH, BOTH]
    found = plan(new_train(*media, source=source)).renewals
    expected = plain(media, source, substeps=4).swaps(
        limit_mg_l=LIMIT_MG_L, watched=1, rotates=True, until_day=730.0
    )
    assert len(found) == len(expected) >= 4
    np.testing.assert_allclose([one.day for one in found], [day for day, _ in expected], atol=1.0)
    # The switch is felt: without it the days are others.
    calm = plan(new_train(*media, source=water((0.0, 0.1, 1.9)))).renewals
    assert abs(calm[3].day - found[3].day) > 1.0


def test_a_switch_that_a_carbon_cannot_hold_stands_apart_from_the_rest_of_the_plan() -> None:
    """Good for free chlorine, 1.4 transfer units for chloramine: nothing helps in those weeks."""
    medium = replace(CARBON, rate_combined_l_mg_day=1.4 * FLOW_L_DAY / spec_of(CARBON).capacity_mg)
    switched = water((0.0, 1.0, 0.0), (50.0, 0.0, 1.0), (78.0, 1.0, 0.0))
    found = plan(new_train(medium, source=switched))
    calm = plan(new_train(medium, source=water((0.0, 1.0, 0.0))))
    assert found.unheld == ((50.0, 78.0),)
    assert found.cannot_hold
    assert not calm.cannot_hold
    assert not [one for one in found.renewals if 50.0 <= one.day < 78.0]
    assert {one.cause for one in found.renewals} == {"outlet_limit"}
    # Chloramine wears the bed as well, though less of it is caught.
    assert found.renewals[0].day > calm.renewals[0].day > 78.0


def test_stronger_water_brings_the_swap_to_the_day_it_arrives() -> None:
    """0.4 mg/L lets a fresh 0.1 through at a quarter; 3.9 mg/L at a fortieth, on its first day."""
    source = water((0.0, 0.4, 0.0), (480.0, 3.9, 0.0))
    found = plan(new_train(CARBON, flow_l_day=600.0, source=source), horizon_days=2000.0).renewals
    expected = plain([CARBON], source, flow_l_day=600.0).swaps(
        limit_mg_l=LIMIT_MG_L, watched=1, rotates=False, until_day=2000.0
    )
    np.testing.assert_allclose([one.day for one in found], [day for day, _ in expected], atol=0.01)


def test_beds_too_weak_alone_share_the_last_outlet_while_the_hard_water_lasts() -> None:
    """Grains before blocks, 200 days of chloramine between two spells of chlorine.

    Neither bed holds the chloramine by itself, both together do: meanwhile both count at the last
    bed, and the first in the flow goes out alone, since that is enough.
    """
    grains = weak_carbon(transfer_units=12.0, flow_l_day=FLOW_L_DAY, capacity_mg=60_000.0)
    grains = replace(
        grains,
        key="grains",
        kind="granular_carbon",
        rate_combined_l_mg_day=1.8 * FLOW_L_DAY / 60_000.0,
    )
    blocks = replace(grains, key="blocks", kind="carbon_block")
    source = water((0.0, 1.0, 0.0), (30.0, 0.0, 1.0), (230.0, 1.0, 0.0))
    found = plan(new_train(grains, blocks, source=source))
    assert not found.cannot_hold

    train, day = plain([grains, blocks], source), 30.0
    left = train.advanced([1.0, 1.0], 0.0, day)
    assert train.outlet_mg_l([1.0, 1.0], day, 1) > LIMIT_MG_L > train.outlet_mg_l(left, day, 2)
    while train.outlet_mg_l(left, day, 2) <= LIMIT_MG_L:
        left, day = train.advanced(left, day, 0.05), day + 0.05
    first = found.renewals[0]
    assert 30.0 < day < 230.0
    assert first.day == pytest.approx(day, abs=0.1)
    assert (first.stage, first.medium_key, first.rotation) == (1, "grains", False)
    assert first.worn == pytest.approx(left[0], abs=1e-3)

    # On with new grains and the blocks as they are, through the chlorine, to the grains' own end.
    left = [1.0, left[1]]
    while day < 230.0:
        left, day = train.advanced(left, day, 0.05), day + 0.05
        assert train.outlet_mg_l(left, min(day, 229.0), 2) <= LIMIT_MG_L
    while train.outlet_mg_l(left, day, 1) <= LIMIT_MG_L:
        left, day = train.advanced(left, day, 0.05), day + 0.05
    second = found.renewals[1]
    assert second.day == pytest.approx(day, abs=0.1)
    assert (second.stage, second.medium_key) == (1, "grains")
