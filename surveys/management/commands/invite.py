"""``manage.py invite``: the first coordinator of all regions and the first operator, and anybody else after them."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from surveys.errors import Refusal
from surveys.services.appointments import invite
from surveys.services.invitation_mail import link_of
from surveys.vocabulary import Role


class Command(BaseCommand):
    help = "Write an invitation down and print its link, which works once, for seven days, for that mail address."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email", help="mail address of the person")
        parser.add_argument("role", choices=Role.values(), help="what the person is invited to")
        parser.add_argument("--region", action="append", help="code of a region; without it, all regions")

    def handle(self, *args: Any, **options: Any) -> None:
        role, now = Role(options["role"]), timezone.now()
        try:
            invited = invite(by=None, email=options["email"], role=role, regions=options["region"], now=now)
        except Refusal as refusal:
            raise CommandError(" ".join([refusal.sentence, *(fault.sentence for fault in refusal.faults)])) from None
        self.stdout.write(link_of(invited))
