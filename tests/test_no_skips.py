"""A skip counts as a failure where it was told to."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SKIPS_ITSELF = "import pytest\n\ndef test_browser():\n    pytest.skip('no browser here')\n"
SKIPS_THE_FILE = "import pytest\n\npytest.skip('no server here', allow_module_level=True)\n"


def run(tmp_path: Path, text: str, *, refuse: bool) -> subprocess.CompletedProcess[str]:
    file = tmp_path / "test_something.py"
    file.write_text(text)
    plugins = ["-p", "tests.no_skips", "-p", "no:cacheprovider", "-p", "no:django"]
    env = {**os.environ, "HOBBYHYDRO_NO_SKIPS": "1" if refuse else ""}
    env.pop("DJANGO_SETTINGS_MODULE", None)
    return subprocess.run(
        [sys.executable, "-m", "pytest", *plugins, "-c", os.devnull, "-q", str(file)],
        cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


@pytest.mark.parametrize("text", [SKIPS_ITSELF, SKIPS_THE_FILE], ids=["test", "file"])
def test_a_skip_passes_on_a_keepers_machine(tmp_path: Path, text: str) -> None:
    result = run(tmp_path, text, refuse=False)
    assert "1 skipped" in result.stdout
    assert "failed" not in result.stdout


@pytest.mark.parametrize(
    ("text", "reason"),
    [(SKIPS_ITSELF, "no browser here"), (SKIPS_THE_FILE, "no server here")],
    ids=["test", "file"],
)
def test_a_skip_fails_where_nothing_may_be_skipped(tmp_path: Path, text: str, reason: str) -> None:
    result = run(tmp_path, text, refuse=True)
    assert result.returncode != 0
    assert reason in result.stdout
    assert "1 skipped" not in result.stdout


def test_a_benchmark_left_out_of_the_ordinary_run_is_no_failure(tmp_path: Path) -> None:
    text = "def test_speed(benchmark):\n    benchmark(sum, [1])\n"
    file = tmp_path / "test_speed.py"
    file.write_text(text)
    result = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "tests.no_skips", "-p", "no:django", "-c",
         os.devnull, "-q", "--benchmark-skip", str(file)],
        cwd=ROOT, env={**os.environ, "HOBBYHYDRO_NO_SKIPS": "1"},
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert "1 skipped" in result.stdout
    assert result.returncode == 0


def test_a_failure_that_was_expected_is_no_skip(tmp_path: Path) -> None:
    text = "import pytest\n\n@pytest.mark.xfail\ndef test_known():\n    assert False\n"
    result = run(tmp_path, text, refuse=True)
    assert "1 xfailed" in result.stdout
    assert "failed\n" not in result.stdout.replace("xfailed", "")
    assert result.returncode == 0
