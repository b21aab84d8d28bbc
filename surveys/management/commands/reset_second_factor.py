"""``manage.py reset_second_factor``: take a lost app off an account, where nobody is left who could on the pages."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from surveys.errors import Refusal
from surveys.queries.people import account_by_mail
from surveys.services.second_factor import reset_second_factor


class Command(BaseCommand):
    help = "Take the second factor off an account, and sign it out everywhere. The next sign-in sets up a new one."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email", help="mail address of the account")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            reset_second_factor(by=None, account=account_by_mail(options["email"]).pk)
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from None
        self.stdout.write("The second factor is taken off, and the account is signed out everywhere.")
