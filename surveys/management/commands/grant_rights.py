"""``manage.py grant_rights --to ROLE``: what the running service may do to each table, and nothing else."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from surveys.errors import Refusal
from surveys.services.rights import grant_rights


class Command(BaseCommand):
    help = "Give a database role exactly the rights that web, workers and commands need. Run it after each migrate."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--to", required=True, metavar="ROLE", help="the role in the DATABASE_URL of the service")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            tables = grant_rights(to=options["to"])
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from None
        self.stdout.write(f"{options['to']} has its rights on {tables} tables, and no others.")
