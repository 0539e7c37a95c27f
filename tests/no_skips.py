"""Where HOBBYHYDRO_NO_SKIPS=1, a test that skips itself has failed.

On a keeper's machine a test that needs a browser or a server skips where there is none, and says
so. Where both are meant to be there, a skip would hide that the check was never made.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import TypeVar

import pytest

Report = TypeVar("Report", pytest.TestReport, pytest.CollectReport)

# Benchmarks have a run of their own; in the ordinary run pytest-benchmark leaves them out.
MEANT = ("--benchmark-skip", "--benchmark-only")


def refused(report: Report) -> Report:
    """The report itself, or a failure in place of a skip that nobody meant."""
    expected = hasattr(report, "wasxfail")  # a failure that was expected is reported as a skip
    if os.environ.get("HOBBYHYDRO_NO_SKIPS") != "1" or not report.skipped or expected:
        return report
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    if not any(option in reason for option in MEANT):
        report.outcome = "failed"
        report.longrepr = f"skipped where nothing may be skipped: {reason}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    return refused((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    return refused((yield))
