"""Keeps everything up to date without anybody looking: the worker beside the server."""

from __future__ import annotations

import logging
import os
import signal
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event
from typing import Any

from django.core.management.base import BaseCommand
from django.db import close_old_connections

from schedule.services.caretaker import Caretaker

logger = logging.getLogger(__name__)


class Command(BaseCommand):
    help = (
        "Recalculate what is behind or a day old, extend plans and chores, write and send mail; "
        "go on doing so until stopped. With --once a single round, for cron."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="one round, then stop")
        parser.add_argument(
            "--every", type=int, default=60, metavar="SECONDS", help="pause between two rounds"
        )
        parser.add_argument(
            "--with-parent", action="store_true", help="stop when what started it is gone"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        stop, parent = Event(), os.getppid()

        def orphaned() -> bool:
            return bool(options["with_parent"]) and os.getppid() != parent

        caretaker = Caretaker(stop=lambda: stop.is_set() or orphaned())
        with stopped_by_signal(stop):
            if options["once"]:
                self.stdout.write(f"{caretaker.round()}.")
                return
            while not caretaker.stop():
                self.round(caretaker)
                stop.wait(max(1, options["every"]))

    def round(self, caretaker: Caretaker) -> None:
        """One round; a database that is away for a while is waited for."""
        close_old_connections()
        try:
            caretaker.round()
        except Exception:
            logger.exception("A round failed; the next one tries again")
        finally:
            close_old_connections()


@contextmanager
def stopped_by_signal(stop: Event) -> Iterator[None]:
    """Let SIGTERM and Ctrl+C end the work between two steps instead of within one."""
    numbers = (signal.SIGTERM, signal.SIGINT)
    before = [signal.signal(number, lambda *_: stop.set()) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)
