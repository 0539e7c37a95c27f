"""The bed's partial differential equations on a fine grid: an independent, slow route.

dC/dx = -b s C along each bed (Pade (2,2) across a cell), ds/dt = -(Q/M) x what the cell takes out,
integrated in time by scipy's DOP853. It knows nothing of the closed form it is there to check.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import solve_ivp


@dataclass
class GridTrain:
    """Beds in series with one capacity (mg) and rate (L/(mg day)), cells along each."""

    capacity_mg: float
    rate_l_mg_day: float
    beds: int
    cells: int
    left: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.left = np.ones((self.beds, self.cells))

    def levels(self, left: np.ndarray, flow_l_day: float, inlet_mg_l: float) -> np.ndarray:
        """Concentration at every cell face, shape (beds * cells + 1,)."""
        depth = self.rate_l_mg_day * self.capacity_mg / flow_l_day * left.ravel() / self.cells
        passing = (1 - depth / 2 + depth**2 / 12) / (1 + depth / 2 + depth**2 / 12)
        return inlet_mg_l * np.append(1.0, np.cumprod(passing))

    def run(self, *, days: float, flow_l_day: float, inlet_mg_l: float) -> None:
        """Advance through a period of constant flow and inlet."""
        per_cell = flow_l_day / self.capacity_mg * self.cells

        def rate(_: float, left: np.ndarray) -> np.ndarray:
            return per_cell * np.diff(self.levels(left, flow_l_day, inlet_mg_l))

        solved = solve_ivp(
            rate, (0.0, days), self.left.ravel(), method="DOP853", rtol=1e-8, atol=1e-11
        )
        assert solved.success
        self.left = solved.y[:, -1].reshape(self.beds, self.cells)

    def outlets(self, *, flow_l_day: float, inlet_mg_l: float) -> np.ndarray:
        """Concentration after each bed now, shape (beds,)."""
        faces = self.levels(self.left, flow_l_day, inlet_mg_l)
        return faces[self.cells :: self.cells]

    def remaining(self) -> np.ndarray:
        """Mean fraction of capacity left in each bed."""
        return self.left.mean(axis=1)
