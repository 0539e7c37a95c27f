"""The exact update against the partial differential equations solved on a fine grid."""

from __future__ import annotations

import numpy as np
import pytest

from cartridges.physics.bed import advance, outlet_ratio
from cartridges.physics.label import bed_from_claim
from cartridges.physics.train import Placing, TrainInputs, estimate_train

from ..physics.fine_grid import GridTrain
from ..physics.scenarios import CARBON, FREE_CLAIM, certain, segments, site, source

CAPACITY_MG, RATE_L_MG_DAY = 11_000.0, 0.30
# (days, flow L/day, inlet mg/L); the first bed is swapped before the fourth period.
PERIODS = [
    (25.0, 190.0, 2.0),
    (10.0, 380.0, 1.4),
    (12.0, 150.0, 2.6),
    (15.0, 300.0, 2.0),
    (9.0, 120.0, 3.5),
    (12.0, 420.0, 1.8),
]
SWAP_BEFORE = 3


@pytest.mark.slow
def test_two_beds_in_series_agree_with_the_grid_through_changes_and_a_swap() -> None:
    grids = {cells: GridTrain(CAPACITY_MG, RATE_L_MG_DAY, 2, cells) for cells in (800, 1600)}
    exact = np.ones(2)
    compared = 0
    for index, (days, flow, inlet) in enumerate(PERIODS):
        if index == SWAP_BEFORE:
            exact[0] = 1.0
            for grid in grids.values():
                grid.left[0] = 1.0
        dose = inlet * days
        units = RATE_L_MG_DAY * CAPACITY_MG / flow
        for bed in range(2):
            exact[bed], dose = advance(
                exact[bed], dose_mg_day_l=dose, transfer_units=units, rate_l_mg_day=RATE_L_MG_DAY
            )
        outlets = {}
        for cells, grid in grids.items():
            grid.run(days=days, flow_l_day=flow, inlet_mg_l=inlet)
            outlets[cells] = grid.outlets(flow_l_day=flow, inlet_mg_l=inlet)
        # The grid's error falls with the square of the cell: what is left after extrapolation
        # bounds the error of the comparison itself.
        best = outlets[1600] + (outlets[1600] - outlets[800]) / 3.0
        ours = inlet * np.cumprod(outlet_ratio(exact, transfer_units=units))
        for bed in range(2):
            assert grids[1600].remaining()[bed] == pytest.approx(exact[bed], rel=1e-4, abs=1e-7)
            if ours[bed] > 1e-6:
                compared += 1
                assert best[bed] == pytest.approx(ours[bed], rel=1e-4)
    assert compared >= 6


@pytest.mark.slow
def test_the_real_series_of_site_a_agrees_with_the_grid() -> None:
    """Two carbons, 50 US gal/day and then 100, through 547 days of a real tap."""
    days, level = site("a")
    bed = bed_from_claim(claim=FREE_CLAIM)
    half = len(days) // 2
    flow = np.where(np.arange(len(days)) < half, 50.0, 100.0) * 3.785411784
    grid = GridTrain(bed.capacity_mg, bed.rate_l_mg_day, 2, 600)
    outlets, left = np.empty((len(days), 2)), np.empty((len(days), 2))
    for index in range(len(days)):
        grid.run(days=1.0, flow_l_day=flow[index], inlet_mg_l=level[index])
        outlets[index] = grid.outlets(flow_l_day=flow[index], inlet_mg_l=level[index])
        left[index] = grid.remaining()

    def estimate(now: int) -> tuple[float, np.ndarray, np.ndarray]:
        inputs = certain(
            TrainInputs(
                stage_count=2,
                placings=(Placing(0.0, 1, "a", CARBON), Placing(0.0, 2, "b", CARBON)),
                segments=segments(flow[:now]),
                future_flow_l_day=float(flow[now]),
                future_flow_rel_sd=0.0,
                source_past=source(level[:now]),
                source_future=source(level[now:], start_day=now),
            )
        )
        stages = estimate_train(inputs, now_day=float(now), members=16).stages
        remaining = np.array([one.remaining.p50 for one in stages if one.remaining])
        outlet = np.array([one.outlet_total_mg_l.p50 for one in stages])
        return stages[0].days.p50, remaining, outlet

    # The limit is first passed somewhere in the grid's day `over`, or at its start.
    over = int(np.flatnonzero(outlets[:, 0] > 0.1)[0])
    assert half + 60 < over < len(days) - 20
    for now in (half, over - 50, over - 5):
        left_days, remaining, _ = estimate(now)
        assert now + left_days == pytest.approx(over + 0.5, abs=0.51)
        assert remaining == pytest.approx(left[now - 1], rel=1e-4)
    # After the crossing the state still agrees, and so does the outlet of the water of that day.
    now = len(days) - 1
    _, remaining, outlet = estimate(now)
    assert remaining == pytest.approx(left[now - 1], rel=1e-3)
    units = bed.rate_l_mg_day * bed.capacity_mg / flow[now]
    by_grid = level[now] * np.exp(-units * np.cumsum(left[now - 1]))
    assert outlet == pytest.approx(by_grid, rel=2e-3)
