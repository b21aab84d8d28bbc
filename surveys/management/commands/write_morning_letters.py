"""``manage.py write_morning_letters``: decide this morning's letters to coordinators, here and now."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from surveys.services.morning import write_morning_letters


class Command(BaseCommand):
    help = "Write to each coordinator for whom something waits, between 06:30 and noon of the season, once a day."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{write_morning_letters(now=timezone.now())} letters written")
