"""``manage.py back_up --into FOLDER``: a backup of database, releases and the ledger of erasures, with its proof."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from project.operation.backing_up import back_up, drop_old_backups
from project.operation.tools import Failed


class Command(BaseCommand):
    help = "Take a base backup, archive the log up to it, copy the releases, and write a proof beside it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--into", type=Path, required=True, help="the folder that holds backups and archive")
        parser.add_argument("--keep-days", type=int, help="drop backups older than this, but never the newest")

    def handle(self, *args: Any, **options: Any) -> None:
        folder, now = options["into"].expanduser().resolve(), timezone.now()
        try:
            place = back_up(into=folder, now=now, say=self._say)
            if options["keep_days"] is not None:
                drop_old_backups(folder=folder, days=options["keep_days"], now=now, say=self._say)
        except Failed as fault:
            raise CommandError(f"No backup was made. {fault}") from None
        self.stdout.write(f"backup {place.name} is whole")

    def _say(self, sentence: str) -> None:
        self.stdout.write(f"  {sentence}")
