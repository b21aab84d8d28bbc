"""``manage.py check_log``: prove that the chain of the event log is whole."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from surveys.queries.log import broken_links


class Command(BaseCommand):
    help = "Check every link of the event log."

    def handle(self, *args: Any, **options: Any) -> None:
        broken = broken_links()
        if broken:
            raise CommandError(f"The chain of the event log breaks at {broken[:10]} ({len(broken)} links in all).")
        self.stdout.write("The event log is whole.")
