"""``manage.py receive_wal --into FOLDER``: archive PostgreSQL's log as it is written, until ended."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from project.operation.archive import receive_for_ever
from project.operation.tools import Failed


class Command(BaseCommand):
    help = "Run pg_receivewal: it fetches the write-ahead log into the archive beside the backups, until it is ended."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--into", type=Path, required=True, help="the folder that holds backups and archive")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            receive_for_ever(options["into"].expanduser().resolve())
        except Failed as fault:
            raise CommandError(str(fault)) from None
