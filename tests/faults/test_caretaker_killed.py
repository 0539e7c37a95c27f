"""The worker is killed at every step of a send, and in between, fifty times: nothing is lost.

A letter comes twice only where the mail server had kept it and the worker died before it could
write that down. No protocol without a shared transaction can avoid that window: whoever does not
know must ask again. The second is then the same letter, by its Message-ID.
"""

from __future__ import annotations

import datetime as dt
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

import pytest
from django.conf import settings
from django.db import connection
from django.utils import timezone

from hobbyhydro.households.models import Household, User
from schedule.models import Chore, Delivery, Letter, Notice, NoticeWishes
from tests.schedule.smtp import STEPS, Office, Post

SEED = 20_260_303
HOUSEHOLDS, PEOPLE = 30, 8
AT_EACH_STEP, AT_RANDOM = 5, 15  # 7 · 5 + 15 = 50
LONGEST_S, PACE_S = 0.8, 0.04
A_WHILE_S = 0.05
NO_ANSWER_YET = {"letter", "accepted", "answered"}


def database_url(path: Path | None) -> str:
    """The address under which another process finds the test's database."""
    if path is not None:
        return f"sqlite:///{path}"
    has = connection.settings_dict
    who = f"{quote(has['USER'])}:{quote(has['PASSWORD'])}@" if has["USER"] else ""
    port = f":{has['PORT']}" if has["PORT"] else ""
    return f"postgres://{who}{has['HOST']}{port}/{has['NAME']}"


def environment(path: Path | None, post: Post) -> dict[str, str]:
    return {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "hobbyhydro.settings",
        "HOBBYHYDRO_DEMO": "true",
        "SECRET_KEY": settings.SECRET_KEY,
        "DATABASE_URL": database_url(path),
        "EMAIL_URL": f"smtp://127.0.0.1:{post.port}",
        "PYTHONPATH": str(settings.BASE_DIR),
    }


@dataclass
class Killer:
    """Starts workers, and kills each at its step of the n-th session or after its time."""

    forker: subprocess.Popen[str]
    step: str = ""
    left: int = 0
    worker: int = 0
    told: threading.Event = field(default_factory=threading.Event)
    seen: list[str] = field(default_factory=list)

    def run(self, *, step: str = "", session: int = 1, after_s: float | None = None) -> bool:
        """One worker; whether it was killed before it was through."""
        assert self.forker.stdin is not None and self.forker.stdout is not None
        self.step, self.left, self.worker, self.seen = step, session, 0, []
        self.told.clear()
        self.forker.stdin.write("go\n")
        self.forker.stdin.flush()
        self.worker = int(self.forker.stdout.readline())
        self.told.set()
        if after_s is not None:
            time.sleep(after_s)
            self.kill()
        return self.forker.stdout.readline() == "killed\n"

    def heard(self, step: str, recipient: str) -> None:
        """The mail server is at this step; it waits while the worker is being killed."""
        self.seen.append(step)
        if step != self.step:
            return
        self.left -= 1
        if self.left == 0:
            self.told.wait(10)
            self.kill()

    def kill(self) -> None:
        with suppress(ProcessLookupError):  # it was through already
            os.kill(self.worker, signal.SIGKILL)


@contextmanager
def forking(path: Path | None, post: Post) -> Iterator[subprocess.Popen[str]]:
    """A process that forks workers on the test's database, for as long as the block lasts."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("forking_caretaker.py"))],
        env=environment(path, post),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    yield process
    process.communicate()
    assert process.returncode == 0


@pytest.fixture
def forker(shared_database: Path | None, post: Post) -> Iterator[subprocess.Popen[str]]:
    with forking(shared_database, post) as process:
        yield process


@pytest.fixture
def post() -> Iterator[Post]:
    with Office(Post()) as server:
        yield server


@pytest.fixture
def people(shared_database: Path | None) -> list[User]:
    """Households where it is about noon now, each with one thing to do today, told to all."""
    ahead = 12 - timezone.now().hour
    zone = f"Etc/GMT{-ahead:+d}" if ahead else "UTC"
    today = timezone.localdate(timezone=Household(time_zone=zone).zone)
    found = []
    for k in range(HOUSEHOLDS):
        house = [
            User.objects.create(email=f"person{k}-{n}@example.org", password="!")
            for n in range(PEOPLE)
        ]
        home = Household.found(owner=house[0], name=f"House {k}", time_zone=zone)
        for person in house[1:]:
            home.memberships.create(person=person, role="keeper")
        for place in home.memberships.all():
            NoticeWishes.objects.create(membership=place, hour=0)
        Chore.objects.create(household=home, title="Clean", rule="FREQ=YEARLY", start=today)
        found += house
    return found


def time_passes() -> None:
    """The leases of dead workers run out."""
    past = timezone.now() - dt.timedelta(minutes=1)
    Letter.objects.filter(worked_until__isnull=False).update(worked_until=past)
    Letter.objects.filter(state=Letter.State.WAITING).update(send_after=past)


def kept_but_not_written_down(post: Post, since: int) -> list[str]:
    """Letters that the server took since then and that the database does not know as sent."""
    time.sleep(A_WHILE_S)  # the server may be about to keep what it has in hand
    waiting = Letter.objects.exclude(state=Letter.State.SENT)
    names = set(waiting.values_list("message_id", flat=True))
    return [name for name in post.message_ids()[since:] if name in names]


def test_fifty_kills_lose_nothing_and_repeat_only_what_cannot_be_known(
    forker: subprocess.Popen[str], people: list[User], post: Post
) -> None:
    chance = random.Random(SEED)
    killer = Killer(forker)
    post.steps, post.pace_s = killer.heard, PACE_S
    kills: list[tuple[str, int, float | None]] = [
        (step, chance.randint(1, 3), None) for step in STEPS for _ in range(AT_EACH_STEP)
    ]
    kills += [("", 1, chance.uniform(0.0, LONGEST_S)) for _ in range(AT_RANDOM)]
    chance.shuffle(kills)

    allowed: Counter[str] = Counter()
    killed: Counter[str] = Counter()
    for step, session, after_s in kills:
        before = len(post.accepted)
        was_killed = killer.run(step=step, session=session, after_s=after_s)
        assert was_killed, (step, after_s, killer.seen)
        killed[step or "any time"] += 1
        in_the_window = kept_but_not_written_down(post, before)
        assert len(in_the_window) <= 1  # a worker sends one letter at a time
        if step and step not in NO_ANSWER_YET:
            assert not in_the_window, step
        allowed.update(in_the_window)
        time_passes()
    post.pace_s = 0.0
    while killer.run() or Letter.objects.filter(state=Letter.State.WAITING).exists():
        time_passes()  # now undisturbed

    counts = Counter(post.message_ids())
    by_person: dict[str, set[str]] = {}
    for recipient, name in zip(post.recipients, post.message_ids(), strict=True):
        by_person.setdefault(recipient, set()).add(name)
    repeated = {name: n - 1 for name, n in counts.items() if n > 1}
    print(f"\nkilled: {dict(killed)}; repeated: {sum(repeated.values())} of {len(counts)} letters")

    assert set(by_person) == {p.email for p in people}  # every notice arrives
    assert all(len(names) == 1 for names in by_person.values())  # and a second is the same letter
    assert repeated == dict(allowed)
    assert sum(killed.values()) == 50
    assert Letter.objects.count() == Notice.objects.count() == len(people)
    assert not Letter.objects.exclude(state=Letter.State.SENT).exists()
    assert Notice.objects.filter(letter__isnull=False).count() == len(people)
    broken_off = Delivery.objects.filter(accepted=False)
    assert all(d.unsure and d.answer == "The attempt broke off." for d in broken_off)
    assert Delivery.objects.filter(accepted=True).count() == len(people)


def test_two_workers_at_once_send_each_letter_once(
    shared_database: Path | None, forker: subprocess.Popen[str], people: list[User], post: Post
) -> None:
    """They meet at settling the day and at every letter, and neither waits for the other's mail."""
    post.pace_s = 0.01
    with forking(shared_database, post) as other:
        workers = [forker, other]
        for process in workers:
            assert process.stdin is not None
            process.stdin.write("go\n")
            process.stdin.flush()
        for process in workers:
            assert process.stdout is not None
            process.stdout.readline()
            assert process.stdout.readline() == "ended\n"
    assert sorted(post.recipients) == sorted(p.email for p in people)
    assert len(set(post.message_ids())) == len(people)
    assert Letter.objects.filter(state=Letter.State.SENT).count() == len(people)
    assert Notice.objects.count() == len(people)
