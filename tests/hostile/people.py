"""Who sends: somebody in each role, with a token for programs and a session for pages, both renewed as they end."""

from __future__ import annotations

import secrets
from http.cookies import SimpleCookie

from django.conf import settings

from tests.factories import ApiClient, sign_in_fully, token_of
from tests.pages import World

#: Requests after which somebody signs in anew: what they send signs them out now and then.
RENEWED_AFTER = 40


class Person:
    """One role of a world."""

    def __init__(self, world: World, role: str) -> None:
        self.world, self.role = world, role
        self.sent = 0
        self._token: dict[str, str] = {}
        self._session: dict[str, str] = {}

    def headers(self, *, api: bool) -> dict[str, str]:
        """Return what this person's program or browser sends along."""
        if self.sent % RENEWED_AFTER == 0:
            self._renew()
        self.sent += 1
        return self._token if api else self._session

    def _renew(self) -> None:
        account = self.world.people[self.role]
        secret = secrets.token_hex(16)  # 32 characters, as the framework makes it
        cookies = SimpleCookie({settings.CSRF_COOKIE_NAME: secret})
        if account is not None:
            account.auth_token_set.all().delete()
            self._token = {"Authorization": f"Bearer {token_of(account)}"}
            browser = ApiClient()
            sign_in_fully(browser, account)
            cookies[settings.SESSION_COOKIE_NAME] = browser.cookies[settings.SESSION_COOKIE_NAME].value
        pairs = "; ".join(f"{name}={morsel.value}" for name, morsel in cookies.items())
        self._session = {"Cookie": pairs, "X-CSRFToken": secret}
