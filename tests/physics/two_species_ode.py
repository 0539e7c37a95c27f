"""Two species in beds in series by ordinary differential equations: an independent route.

With constant inlet, mass balance and C_out = C_in e^(-b S) give for bed i
dS_i/dt = -(Q/M) sum_j w_j C_ij (1 - e^(-b_j S_i)), where C_ij is what the beds before it let pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class TwoSpecies:
    """Equal beds in series; arrays over the species (free, combined)."""

    capacity_mg: float
    flow_l_day: float
    units: np.ndarray
    weight: np.ndarray

    def outlets(self, remaining: np.ndarray, levels: np.ndarray) -> np.ndarray:
        """Levels after each bed, shape (beds, species)."""
        return levels * np.exp(-np.cumsum(remaining)[:, None] * self.units)

    def solve(
        self,
        *,
        remaining: np.ndarray,
        levels: np.ndarray,
        days: float,
        ageing_per_day: float = 0.0,
        event: Callable[[float, np.ndarray], float] | None = None,
    ):
        """scipy's DOP853 at tight tolerance; stops at the event if one is given."""

        def rate(_: float, left: np.ndarray) -> np.ndarray:
            left = np.clip(left, 0.0, 1.0)  # a trial step of the solver may overshoot
            after = self.outlets(left, levels)
            before = np.vstack([levels, after[:-1]])
            used = ((before - after) * self.weight).sum(axis=1)
            return -self.flow_l_day / self.capacity_mg * used - ageing_per_day * left

        return solve_ivp(
            rate, (0.0, days), remaining, method="DOP853", rtol=1e-10, atol=1e-13, events=event
        )
