"""The US limit on chlorine in tap water is a yearly average, not a limit on a day.

Source: the US maximum residual disinfectant level, 4.0 mg/L as Cl2 for chlorine and for
chloramines, as a running annual average (read); 40 CFR 141.65 and 141.133 (value from memory).
"""

from __future__ import annotations

import pytest

from cartridges.physics.source import MRDL_MG_L, SourceSeries, mean_over, source_steps


def test_limit_is_4_mg_l() -> None:
    assert MRDL_MG_L == 4.0


def test_a_day_above_the_limit_is_taken_as_it_is() -> None:
    series = SourceSeries([0.0, 100.0, 101.0], [0.0, 0.0, 0.0], [3.5, 6.0, 3.5])
    steps = source_steps(
        readings=series, switches=(), disinfectant="chloramine", start_day=0.0, end_day=365.0
    )
    assert steps.total_mg_l.max() == 6.0
    year = mean_over(steps, start_day=0.0, end_day=365.0)
    assert year.total_mg_l == pytest.approx(3.5 + 2.5 / 365)
    assert year.total_mg_l < MRDL_MG_L
