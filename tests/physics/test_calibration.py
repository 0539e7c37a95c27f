"""Whether the band means what it says: keepers with hidden true parameters, noisy kits and meters.

Each invented keeper's cartridge, tap, meter and kit are drawn from the model's own prior; the truth
is then run in plain daily steps with `bed.advance`. At half of the cartridge's life the keeper has
what a keeper has: a noisy meter, a noisy source test, a few outlet tests of limited reach. The
forecast's P10 to P90 band should then hold the true day 80 times in 100.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from cartridges.physics.bed import advance, outlet_ratio
from cartridges.physics.ensemble import log_sd
from cartridges.physics.label import bed_from_claim
from cartridges.physics.source import SourceSteps
from cartridges.physics.train import OutletReading, Placing, TrainInputs, estimate_train

from .scenarios import CARBON, FREE_CLAIM, segments

KEEPERS = 300
LIMIT_MG_L = 0.1
KIT_SD, KIT_LEAST_MG_L = 0.35, 0.05
METER_SD, SOURCE_SD = 0.02, 0.15


class Keeper:
    """One invented keeper: hidden truth and what was logged up to half the true life."""

    def __init__(self, rng: np.random.Generator) -> None:
        bed = bed_from_claim(claim=FREE_CLAIM)
        self.capacity_mg = bed.capacity_mg * np.exp(float(log_sd(0.30)) * rng.standard_normal())
        self.rate = bed.rate_l_mg_day * np.exp(float(log_sd(0.40)) * rng.standard_normal())
        self.exponent = rng.uniform(0.0, 0.5)
        self.flow = rng.uniform(100.0, 500.0)
        self.level = rng.uniform(0.8, 3.0)
        # The source error is one for all tests of this tap, as the model holds; the meter's too.
        self.told_level = self.level / np.exp(float(log_sd(SOURCE_SD)) * rng.standard_normal())
        self.told_flow = self.flow / np.exp(float(log_sd(METER_SD)) * rng.standard_normal())
        k = self.rate * (self.flow / FREE_CLAIM.rated_flow_l_day) ** self.exponent
        self.units = k * self.capacity_mg / self.flow
        left, day, outlets = 1.0, 0, []
        while True:
            outlet = float(self.level * outlet_ratio(left, transfer_units=self.units))
            outlets.append(outlet)
            if outlet > LIMIT_MG_L or day > 3000:
                break
            left = advance(
                left, dose_mg_day_l=self.level, transfer_units=self.units, rate_l_mg_day=k
            ).remaining
            day += 1
        self.outlets = outlets
        # Between the last day below and the first above, straight in ln C.
        share = 0.0
        if 0 < day <= 3000:
            share = np.log(outlets[-1] / LIMIT_MG_L) / np.log(outlets[-1] / outlets[-2])
        self.true_day = day - share

    def outlet(self, day: int) -> float:
        """What truly left the bed that day; once past the limit, as on the day it passed."""
        return self.outlets[min(day, len(self.outlets) - 1)]

    def logged(self, rng: np.random.Generator, now: int) -> TrainInputs:
        """What the keeper wrote down by the day `now`."""
        readings = []
        for index, day in enumerate(sorted({now // 3, now // 2, (3 * now) // 4, now})):
            shown = (self.outlet(day) + 0.005) * np.exp(KIT_SD * rng.standard_normal()) - 0.005
            below = shown < KIT_LEAST_MG_L
            readings.append(
                OutletReading(
                    str(index),
                    float(day),
                    1,
                    "total",
                    KIT_LEAST_MG_L if below else float(shown),
                    below,
                    KIT_SD,
                )
            )
        source = SourceSteps([0.0], [now], [self.told_level], [0.0], [SOURCE_SD])
        return TrainInputs(
            stage_count=1,
            placings=(Placing(0.0, 1, "only", CARBON),),
            segments=segments(np.full(now, self.told_flow), rel_sd=METER_SD),
            future_flow_l_day=self.told_flow,
            future_flow_rel_sd=METER_SD,
            source_past=source,
            source_future=replace(source, start_day=np.array([now]), end_day=np.array([now + 1.0])),
            outlet_readings=tuple(readings),
            limit_mg_l=LIMIT_MG_L,
        )


def half_of_the_forecast_life(keeper: Keeper, rng: np.random.Generator) -> int:
    """Half of what the label, the tap and the meter promise: all that a keeper can go by."""
    untested = replace(keeper.logged(rng, 1), outlet_readings=())
    promised = estimate_train(untested, now_day=1.0, members=256).stages[0].days.p50
    return int((promised + 1.0) / 2.0)


def half_of_the_true_life(keeper: Keeper, _: np.random.Generator) -> int:
    return int(keeper.true_day / 2.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("half_life", "most"), [(half_of_the_forecast_life, 0.86), (half_of_the_true_life, 0.90)]
)
def test_the_band_at_half_life_holds_the_true_day_as_often_as_it_says(
    half_life: Callable[[Keeper, np.random.Generator], int], most: float
) -> None:
    """74 to 86 % of 300 keepers: 80 % +- 2.6 standard errors of the count.

    A moment chosen by the hidden true life favours the forecast a little (a cartridge that will
    live long is met late, its tests clean, which is a hint that no keeper has), so there only the
    lower bound is held as tight.
    """
    rng = np.random.default_rng(2024)
    held = below = tried = 0
    while tried < KEEPERS:
        keeper = Keeper(rng)
        now = half_life(keeper, rng)
        if now < 4:  # spent as bought: nothing to forecast
            continue
        tried += 1
        inputs = keeper.logged(rng, now)
        days = estimate_train(inputs, now_day=float(now), members=1024).stages[0].days
        left = max(keeper.true_day - now, 0.0)
        held += days.p10 <= left <= days.p90
        below += left < days.p10
    print(f"held {held}, sooner than the band {below}, later {tried - held - below}")
    assert 0.74 <= held / tried <= most
