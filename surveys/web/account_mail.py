"""The mail about accounts: a code, a link for a new password, and a word to somebody who has an account already.

allauth asks this class for everything that it would do or say by itself.
"""

from __future__ import annotations

import logging
from smtplib import SMTPException
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import context as asked
from django.http import HttpRequest
from django.urls import reverse

from surveys.permissions import account_of
from surveys.services.people import set_password

log = logging.getLogger(__name__)


class AccountMail(DefaultAccountAdapter):  # type: ignore[misc]  # allauth brings no types
    """What allauth does in this project: our addresses, our services, and no words of its own on a page."""

    def send_mail(self, template_prefix: str, email: str, context: dict[str, Any]) -> None:
        """Send one mail. One that cannot be handed in stops nobody: every page offers to send another."""
        try:
            super().send_mail(template_prefix, email, {**context, "home": _absolute("home")})
        except (SMTPException, OSError) as fault:
            log.error("a mail about an account could not be handed in (%s)", type(fault).__name__)

    def send_account_already_exists_mail(self, email: str) -> None:
        """Tell somebody whose address was used to join that there is an account already."""
        links = {"sign_in": _absolute("sign-in"), "forgotten_password": _absolute("forgotten-password")}
        self.send_mail("account/email/account_already_exists", email, links)

    def send_no_account_mail(self, email: str) -> None:
        """Tell somebody who asked for a new password that there is no account under this address."""
        self.send_mail("account/email/unknown_account", email, {"join": _absolute("join")})

    def get_reset_password_from_key_url(self, key: str) -> str:
        """Return the link for a new password."""
        uidb36, _, secret = key.partition("-")
        return _absolute("new-password", uidb36=uidb36, key=secret)

    def set_password(self, user: Any, password: str) -> None:
        """Set a new password through our service, which ends every session and token."""
        set_password(by=account_of(user), password=password)

    def add_message(self, *args: Any, **options: Any) -> None:
        """Say nothing: our own pages do."""


def _absolute(name: str, **parts: str) -> str:
    request: HttpRequest = asked.request
    return request.build_absolute_uri(reverse(name, kwargs=parts))
