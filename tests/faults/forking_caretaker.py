"""Starts a caretaker for each line that comes in, and says its process id and when it ended.

The tool is loaded once and each worker is forked from it, because loading it takes seconds. What
each of them runs is `manage.py caretaker --once`, in a process of its own that can be killed.
"""

from __future__ import annotations

import io
import os
import sys

import django
from django.core.management import call_command

if __name__ == "__main__":
    django.setup()
    import schedule.services.caretaker  # loaded before the first fork

    assert schedule.services.caretaker
    print("ready", flush=True)
    for _ in sys.stdin:
        worker = os.fork()
        if worker == 0:
            code = 1
            try:
                call_command("caretaker", once=True, stdout=io.StringIO())
                code = 0
            finally:
                os._exit(code)
        print(worker, flush=True)
        _, status = os.waitpid(worker, 0)
        print("killed" if os.WIFSIGNALED(status) else "ended", flush=True)
