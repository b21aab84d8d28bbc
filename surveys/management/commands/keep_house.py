"""``manage.py keep_house``: drop, empty and erase what has been kept long enough, here and now."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from surveys.services.retention import keep_house


class Command(BaseCommand):
    help = "Drop, empty and erase whatever has been kept as long as the data register says."

    def handle(self, *args: Any, **options: Any) -> None:
        for what, rows in keep_house(now=timezone.now()).items():
            self.stdout.write(f"{rows:>7} {what}")
