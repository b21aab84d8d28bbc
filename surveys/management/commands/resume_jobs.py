"""``manage.py resume_jobs``: take up what waits or lost its worker, here and now."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from surveys.queries.jobs import jobs_to_do
from surveys.services.night import resume_job


class Command(BaseCommand):
    help = "Take up every job that waits, or whose worker has gone."

    def handle(self, *args: Any, **options: Any) -> None:
        waiting = jobs_to_do()
        for job_id in waiting:
            resume_job(job_id=job_id)
        self.stdout.write(f"{len(waiting)} jobs taken up")
