#!/usr/bin/env python
"""Run a command of Trapnight. Without DATABASE_URL the embedded PostgreSQL is started for it."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.development")
    # project/patience.py: how long the database may work for this command.
    os.environ["TRAPNIGHT_PROGRAM"] = {"migrate": "migrate", "runserver": "web"}.get("".join(sys.argv[1:2]), "work")
    if os.environ["DJANGO_SETTINGS_MODULE"] == "project.settings.development":
        from project import embedded

        # The broker is needed only by the commands that start workers or wake them.
        embedded.provide_services(broker=sys.argv[1:2] in (["demo"], ["up"]))
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
