"""``manage.py make_release SEASON --because "..."``: a release of a season, here and now."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from tqdm import tqdm

from surveys.errors import Refusal
from surveys.queries.jobs import problem_of
from surveys.queries.people import account_by_mail
from surveys.services.releases import ask_for_release, make_release


class Command(BaseCommand):
    help = "Freeze the usable returns of a season and publish them as a numbered release with checksums."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("season", help="code of the season")
        parser.add_argument("--because", required=True, help="why it is made; published with it")
        parser.add_argument("--by", required=True, help="mail address of a coordinator of all regions")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            by = account_by_mail(options["by"])
            job = ask_for_release(by=by, season_code=options["season"], because=options["because"])
            with tqdm(desc=job.key, total=100, unit="%") as bar:
                release = make_release(job_id=job.pk, progress=lambda done, _: bar.update(done - bar.n))
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        if release is None:
            problem = problem_of(job.pk)
            raise CommandError(problem or "A worker has taken the job already. Its end is told on the desk.")
        self.stdout.write(f"release {release.version} is published: {release.summary['rows']['returns']} returns")
