"""``manage.py screen_received``: screen what has arrived, here and now."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from surveys.services.screening import screen_received


class Command(BaseCommand):
    help = "Screen every return that has arrived and waits for it."

    def handle(self, *args: Any, **options: Any) -> None:
        screened = 0
        while done := screen_received(most=200):
            screened += done
        self.stdout.write(f"{screened} returns screened")
