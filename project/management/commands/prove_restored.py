"""``manage.py prove_restored``: what a restored database must pass before it is used. Each line is one proof."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from io import StringIO
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError


class Command(BaseCommand):
    help = "Check the log and the releases, erase again who had been erased, and check the log once more."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--ledger", type=Path, required=True, help="a ledger of erasures, one id in each line")

    def handle(self, *args: Any, **options: Any) -> None:
        steps: tuple[tuple[str, dict[str, Any]], ...] = (
            ("check_log", {}),
            ("check_release", {}),
            ("replay_erasures", {"ledger": options["ledger"]}),
            ("check_log", {}),
        )
        for name, given in steps:
            told = StringIO()
            try:
                call_command(name, stdout=told, **given)
                fine, last = True, "done"
            except CommandError as fault:
                fine, last = False, str(fault)
            said = " ".join(told.getvalue().split()) or last
            line = {"fine": fine, "sentence": f"{name}: {said if fine else f'{last} {told.getvalue().strip()}'}"}
            self.stdout.write(json.dumps(line))
