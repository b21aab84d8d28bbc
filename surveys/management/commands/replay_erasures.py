"""``manage.py replay_erasures``: after a backup came back, erase again whoever had been erased.

A backup holds the ledger as it was when the backup was made. So keep the ledger beside the backups, written anew each
day with ``--show``, and give it back with ``--ledger``. It holds random numbers and nothing else.
"""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from surveys.queries.people import erased_ledger_ids
from surveys.services.erasure import replay_erasures


class Command(BaseCommand):
    help = "Erase again every account of the erasure ledger that a backup brought back."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--ledger", type=Path, help="a file with one id in each line, as --show writes it")
        parser.add_argument("--show", action="store_true", help="write the ledger out, one id in each line, and stop")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["show"]:
            self.stdout.writelines(f"{one}\n" for one in erased_ledger_ids())
            return
        erased = replay_erasures(ledger=_read(options["ledger"]) if options["ledger"] else ())
        self.stdout.write(f"{erased} accounts erased again")


def _read(file: Path) -> list[UUID]:
    if not file.is_file():
        raise CommandError(f"There is no file {file}. Give the ledger that --show wrote.")
    found = []
    for number, line in enumerate(file.read_text(encoding="utf-8").split(), start=1):
        try:
            found.append(UUID(line))
        except ValueError:
            raise CommandError(
                f"Entry {number} of {file} is {line[:40]!r}, but it must be an id such as --show writes."
            ) from None
    return found
