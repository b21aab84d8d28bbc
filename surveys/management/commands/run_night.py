"""``manage.py run_night``: the nightly computation, here and now."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone
from tqdm import tqdm

from surveys.errors import Refusal
from surveys.queries.seasons import season_by_code
from surveys.services.night import ask_for_due_nights, ask_for_night, run_night


class Command(BaseCommand):
    help = "Screen what changed, compute the indices and show them: for the nights that are due, or for one."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--season", help="code of a season; without it, all open seasons")
        parser.add_argument("--night", help="a date such as 2026-05-04; without it, the latest night that is due")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            jobs = self._jobs(options["season"], options["night"])
            for job in jobs:
                with tqdm(desc=job.key, unit="step") as bar:
                    run = run_night(job_id=job.pk, progress=lambda done, total: self._show(bar, done, total))
                self.stdout.write(
                    f"{job.key}: run {run.pk} is shown" if run else f"{job.key}: done already, or under way"
                )
            if not jobs:
                self.stdout.write("No night is due.")
        except (Refusal, ValueError) as refusal:
            raise CommandError(str(refusal)) from None

    def _jobs(self, season: str | None, night: str | None) -> list[Any]:
        if season and night:
            return [ask_for_night(season=season_by_code(season), night=date.fromisoformat(night))[0]]
        if season or night:
            raise CommandError("Give both --season and --night, or neither.")
        return ask_for_due_nights(now=timezone.now())

    @staticmethod
    def _show(bar: Any, done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)
