"""The demo's worker comes and goes with the demo, however that ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from django.utils import timezone

from hobbyhydro.households.models import Household, User
from schedule.models import Chore, NoticeWishes
from tests.faults.test_caretaker_killed import database_url
from tests.schedule.smtp import free_port

PATIENCE_S = 60.0


@pytest.fixture
def demo(shared_database: Path | None, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """The demo on a household with something to do, once its worker has written the letter."""
    person = User.objects.create(email="owner@example.org", password="!")
    home = Household.found(owner=person, name="Fern Street")
    NoticeWishes.objects.create(membership=home.memberships.get(), hour=0)
    start = timezone.localdate()
    Chore.objects.create(household=home, title="Rinse", rule="FREQ=YEARLY", start=start)
    env = {k: v for k, v in os.environ.items() if k not in ("SECRET_KEY", "SITE_URL")}
    env |= {"DATABASE_URL": database_url(shared_database), "DATA_DIR": str(tmp_path)}
    env |= {"DJANGO_SETTINGS_MODULE": "hobbyhydro.settings", "PYTHONUNBUFFERED": "1"}
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, str(settings.BASE_DIR / "manage.py"), "demo", "--port", str(port)],
        env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    seen: list[str] = []
    for line in process.stdout:
        seen.append(line)
        if f"http://127.0.0.1:{port}/do/" in line:
            break
    else:
        pytest.fail("no letter was printed:\n" + "".join(seen))
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


def worker_of(demo: subprocess.Popen[str]) -> int:
    [child] = Path(f"/proc/{demo.pid}/task/{demo.pid}/children").read_text().split()
    return int(child)


def wait_until_gone(pid: int) -> bool:
    end = time.monotonic() + PATIENCE_S + 10
    while time.monotonic() < end:
        state = Path(f"/proc/{pid}/stat")
        if not state.exists() or state.read_text().split()[2] == "Z":
            return True
        time.sleep(0.1)
    return False


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_goes_with_the_demo(demo: subprocess.Popen[str], number: int) -> None:
    worker = worker_of(demo)
    demo.send_signal(number)
    assert demo.wait(PATIENCE_S) == 0
    assert wait_until_gone(worker)
