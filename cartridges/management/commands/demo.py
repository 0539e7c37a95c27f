"""One command to try the tool: database, demo household, server."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.core.servers.basehttp import run
from django.core.wsgi import get_wsgi_application

from cartridges.demo.household import tell
from cartridges.models import Train
from cartridges.services.estimates import needs_refresh, refresh
from hobbyhydro.households.demo_person import EMAIL, PASSWORD
from hobbyhydro.households.models import User

PATIENCE_S = 10.0  # for the worker to finish the step that it is at


class Command(BaseCommand):
    help = "Prepare the embedded database, fill it with a demo household if empty, and serve."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to serve on")
        parser.add_argument("--port", type=int, default=8000, help="port to serve on")
        parser.add_argument(
            "--no-serve", action="store_true", help="prepare the data and stop there"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.DEMO:
            raise CommandError(
                "The demo writes a household with a known password. Unset SECRET_KEY, or set "
                "HOBBYHYDRO_DEMO=true, to run it."
            )
        call_command("migrate", verbosity=0)
        if not User.objects.exists():
            self.stdout.write("Writing fourteen months of an invented household …")
            tell()
        for train in Train.objects.all():
            if needs_refresh(train):
                self.stdout.write(f"Calculating {train} …")
                refresh(train)
        self.say_how()
        if not options["no_serve"]:
            self.serve(options["host"], options["port"])

    def say_how(self) -> None:
        if User.objects.filter(email=EMAIL).exists():
            self.stdout.write(f"Sign in with {EMAIL} and the password {PASSWORD}")
            self.stdout.write("or sign up with any address of your own: mail is printed here.")

    def serve(self, host: str, port: int) -> None:
        with socket.socket() as probe:
            if probe.connect_ex((host, port)) == 0:
                raise CommandError(
                    f"Something is already being served on port {port}. "
                    f"Try: manage.py demo --port {port + 1}"
                )
        self.stdout.write(
            self.style.SUCCESS(f"HobbyHydro is at http://{host}:{port}/ (Ctrl+C stops it)")
        )
        # A plain SIGTERM would leave the worker behind.
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
        with caretaker_beside(f"http://{host}:{port}"):
            try:
                run(host, port, get_wsgi_application(), threading=True)
            except KeyboardInterrupt:
                self.stdout.write("Stopped. Everything is kept.")


@contextmanager
def caretaker_beside(site: str) -> Iterator[None]:
    """The worker that recalculates, plans and writes mail, in a process of its own.

    It is started by its name, as this part of the tool knows nothing of that one.
    """
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "caretaker", "--with-parent"]
    worker = subprocess.Popen(command, env={"SITE_URL": site, **os.environ})
    try:
        yield
    finally:
        worker.terminate()
        try:
            worker.wait(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            worker.kill()
            worker.wait()
