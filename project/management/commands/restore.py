"""``manage.py restore --from FOLDER --until TIME --into NEW_FOLDER``: back to a moment, and proven."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from project.operation.restoring import Target, restore
from project.operation.tools import Failed


class Command(BaseCommand):
    help = "Restore database and releases to a moment into a new folder, prove them, and erase again who was erased."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--from", dest="source", type=Path, required=True, help="the folder of back_up")
        parser.add_argument(
            "--until",
            required=True,
            help="a moment such as 2026-05-04T10:15:00Z; 'latest' for the end of the archive; or the name of a backup"
            " for the moment of its proof",
        )
        parser.add_argument("--into", type=Path, required=True, help="a folder that is not there yet")
        parser.add_argument("--backup", default="", help="the backup to begin with; without it, the newest that fits")
        parser.add_argument("--ledger", type=Path, action="append", default=[], help="a further ledger of erasures")

    def handle(self, *args: Any, **options: Any) -> None:
        into = options["into"].expanduser().resolve()
        try:
            findings = restore(
                source=options["source"].expanduser().resolve(), into=into, target=_target(options["until"]),
                backup=options["backup"], ledgers=options["ledger"], say=lambda told: self.stdout.write(f"  {told}"),
            )  # fmt: skip
        except Failed as fault:
            raise CommandError(f"Nothing was restored that may be used. {fault}") from None
        for finding in findings:
            self.stdout.write(f"  {'holds' if finding.fine else 'FAILS'}  {finding.sentence}")
        failed = sum(not finding.fine for finding in findings)
        if failed:
            raise CommandError(f"{failed} of {len(findings)} proofs fail. Do not use {into} before you know why.")
        self.stdout.write(f"All {len(findings)} proofs hold. {into} has postgresql/ and releases/; see DEVELOPERS.md.")


def _target(until: str) -> Target:
    if until == "latest":
        return Target()
    if until.endswith("Z") and "-" not in until:
        return Target(point=f"trapnight-{until}")
    try:
        moment = datetime.fromisoformat(until)
    except ValueError:
        raise CommandError(
            f"--until is {until!r}, but it must be a moment (2026-05-04T10:15:00Z), a backup's name, or latest."
        ) from None
    return Target(until=moment if moment.tzinfo else moment.replace(tzinfo=UTC))
