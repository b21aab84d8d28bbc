"""``manage.py send_letters``: send the letters that are due, here and now."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from surveys.services.letters import send_due_letters


class Command(BaseCommand):
    help = "Send every letter that is due. Running it twice, or beside a worker, sends none twice."

    def handle(self, *args: Any, **options: Any) -> None:
        sent = 0
        while gone := send_due_letters(now=timezone.now()):
            sent += gone
        self.stdout.write(f"{sent} letters sent")
