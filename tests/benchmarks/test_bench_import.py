"""A history of 200,000 rows: seconds, and how many times what pandas needs to read the same file.

Run with ``pytest --benchmark-only tests/benchmarks`` (times are reported, never asserted).
"""

from __future__ import annotations

import io
import time

import pandas as pd
import pytest
from django.utils import timezone
from pytest_benchmark.fixture import BenchmarkFixture

from cartridges.models import Train
from cartridges.services import history_import
from cartridges.services.source_chart import MOST_BUCKETS, source_chart
from hobbyhydro.households.models import User
from tests.cartridges.histories import many_rows, standing

ROWS = 200_000
MOST_TIMES_PANDAS = 400  # measured: 70 to 90; what grows with the square of the rows passes it


@pytest.mark.benchmark(group="import")
def test_import_of_200_000_rows(train: Train, owner: User, benchmark: BenchmarkFixture) -> None:
    content = many_rows(ROWS)
    started = time.perf_counter()
    frame = pd.read_csv(io.BytesIO(content))
    pandas_s = time.perf_counter() - started
    assert len(frame) == ROWS
    before = standing(train.source)

    def bring_in() -> float:
        begun = time.perf_counter()
        history = history_import.receive(
            source=train.source, name="many.csv", content=content, by=owner
        )
        matching = history_import.matching_of(history)
        assert matching is not None
        matching.origin = "utility"
        history_import.keep(history, matching)
        history_import.take(history, by=owner, leave_bad=False, now=timezone.now())
        return time.perf_counter() - begun

    import_s = benchmark.pedantic(bring_in, rounds=1, iterations=1)
    benchmark.extra_info["times_pandas_read_csv"] = round(import_s / pandas_s, 1)
    assert standing(train.source) == before + ROWS
    assert import_s / pandas_s < MOST_TIMES_PANDAS

    chart = source_chart(train.source, now=timezone.now())
    assert chart is not None and chart.gathered_by
    assert max(len(trace["x"]) for trace in chart.figure["data"]) <= MOST_BUCKETS
