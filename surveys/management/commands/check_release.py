"""``manage.py check_release [VERSION ...]``: the files of releases against their checksums, and made again."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from surveys.errors import Refusal
from surveys.queries.releases import releases
from surveys.services.releases import check_release, remake_release


class Command(BaseCommand):
    help = "Compare every file of a release with its checksum; --again makes all files anew and compares those too."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("versions", nargs="*", help="numbers such as 1.0.0; without any, all releases")
        parser.add_argument("--again", action="store_true", help="make the files again from the frozen tables")

    def handle(self, *args: Any, **options: Any) -> None:
        check = remake_release if options["again"] else check_release
        faulty = 0
        try:
            for version in options["versions"] or [release.version for release in releases()]:
                faults = check(version=version)
                faulty += bool(faults)
                self.stdout.write(f"{version}: {'as it was published' if not faults else ' '.join(faults)}")
        except Refusal as refusal:
            raise CommandError(str(refusal)) from None
        if faulty:
            raise CommandError(f"{faulty} releases are not as they were published. Bring them back from a backup.")
