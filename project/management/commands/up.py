"""``manage.py up``: the everyday start on one small machine."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from project import embedded
from project.processes import Crew


class Command(BaseCommand):
    help = "Run web, worker and beat on this machine, with embedded services where none are named."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--address", default="127.0.0.1:8000", help="host:port to serve on (127.0.0.1:8000)")

    def handle(self, *args: Any, **options: Any) -> None:
        embedded.provide_services(broker=True)
        call_command("migrate", verbosity=0, interactive=False)
        with Crew(embedded.home() / "logs") as crew:
            crew.start_web(options["address"])
            crew.start_worker()
            crew.start_beat()
            self.stdout.write(f"Trapnight serves http://{options['address']}/ (Ctrl-C ends it)")
            self._watch(crew)

    def _watch(self, crew: Crew) -> None:
        try:
            while True:
                time.sleep(1)
                if fallen := crew.fallen():
                    raise CommandError(f"{', '.join(fallen)} ended by itself. Its log in {crew.logs} says why.")
        except KeyboardInterrupt:
            self.stdout.write("Ending web, worker and beat.")
