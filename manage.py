#!/usr/bin/env python
"""Django's command line for HobbyHydro."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "hobbyhydro.settings")
    if "SECRET_KEY" not in os.environ:
        # Without a key of its own this machine can only be trying the tool out.
        os.environ.setdefault("HOBBYHYDRO_DEMO", "true")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
