"""How long the plan of a train takes beside its estimate, measured in the same run.

Times are reported, never asserted; the ratio is.
"""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from cartridges.physics.plan import POLICIES, Policy, simulate_policies, simulate_renewals
from cartridges.physics.train import OutletReading, TrainInputs, estimate_train

from ..physics.scenarios import BOTH, source
from .test_estimate_speed import NOW, three_years

MOST_ESTIMATES = 2.0
"""What a plan may cost, in estimates of the same train with its own default members."""


def chloramine() -> TrainInputs:
    """The same three years with both kinds of chlorine, where every day needs sub-steps."""
    inputs = three_years()
    placings = tuple(
        one if one.stage == 1 else replace(one, medium=BOTH) for one in inputs.placings
    )
    return replace(
        inputs,
        placings=placings,
        source_past=source(0.1, combined_mg_l=1.2, each_days=float(NOW), rel_sd=0.10),
        source_future=source(
            0.1, combined_mg_l=1.2, start_day=float(NOW), each_days=4000.0, rel_sd=0.15
        ),
    )


def with_readings() -> TrainInputs:
    """The same with outlet tests, which cost the ensemble several rounds."""
    readings = tuple(
        OutletReading(str(day), day, 2, "total", 0.2, False) for day in (1000.0, 1050.0, 1090.0)
    )
    return replace(three_years(), outlet_readings=readings)


TRAINS = {"one kind": three_years, "both kinds": chloramine, "with tests": with_readings}


@pytest.mark.parametrize("policy", POLICIES)
@pytest.mark.parametrize("name", TRAINS)
def test_two_years_of_a_train_of_three_stages(benchmark, name: str, policy: Policy) -> None:
    inputs = TRAINS[name]()
    estimate_s = []
    for _ in range(5):
        started = time.perf_counter()
        estimate_train(inputs, now_day=float(NOW))
        estimate_s.append(time.perf_counter() - started)
    found = benchmark(simulate_renewals, inputs, now_day=float(NOW), policy=policy)
    ratio = benchmark.stats.stats.median / sorted(estimate_s)[2]
    benchmark.extra_info["times_an_estimate"] = round(ratio, 2)
    benchmark.extra_info["renewals"] = len(found.renewals)
    assert len(found.renewals) >= 5
    assert ratio <= MOST_ESTIMATES


def test_members_of_the_estimate_cost_the_plan_little_more(benchmark) -> None:
    """Both policies with 4,096 members, so that the first days are those of the estimate."""
    inputs = three_years()
    started = time.perf_counter()
    for _ in range(5):
        estimate_train(inputs, now_day=float(NOW))
    estimate_s = (time.perf_counter() - started) / 5

    def both() -> None:
        simulate_policies(inputs, now_day=float(NOW), members=4096)

    benchmark(both)
    ratio = benchmark.stats.stats.median / estimate_s
    benchmark.extra_info["times_an_estimate"] = round(ratio, 2)
    assert ratio <= MOST_ESTIMATES
