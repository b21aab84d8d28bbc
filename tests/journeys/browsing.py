"""What journeys share: a context of its own for each visitor, what it complained of, and the outside judge."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from playwright.sync_api import Browser, BrowserContext, Page

from surveys.models import Account
from tests.factories import PASSWORD, client_of, code_of, factor_of


def listen(page: Page, served: str, *, refusals: bool = True) -> list[str]:
    """Return a list that fills with policy violations, script errors and requests to other origins.

    A refused form (422) and a missing page (404) are answers too, which Chromium writes down as errors: with
    ``refusals`` they are none.
    """
    complaints: list[str] = []

    def hear(message: Any) -> None:
        if message.type == "error" and not (refusals and "server responded" in message.text):
            complaints.append(message.text)

    page.on("console", hear)
    page.on("pageerror", lambda fault: complaints.append(str(fault)))
    page.on("request", lambda r: complaints.append(r.url) if not r.url.startswith(served) else None)
    return complaints


@contextmanager
def visit(browser: Browser, served: str, width: int, *, refusals: bool = True, **options: Any) -> Iterator[Page]:
    """Open a page in a context of its own, which in the end may have complained of nothing."""
    context = browser.new_context(viewport={"width": width, "height": 800}, base_url=served, **options)
    page = context.new_page()
    complaints = listen(page, served, refusals=refusals)
    yield page
    context.close()
    assert complaints == []


def assert_accessible(page: Page) -> None:
    """Outside judge: axe-core finds nothing, and the page is no wider than its window."""
    found = [(one["id"], [node["html"] for node in one["nodes"]]) for one in Axe().run(page).response["violations"]]
    assert found == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), page.url


def sign_in(page: Page, email: str) -> None:
    """Sign in by the form, and come to where one's returns are."""
    page.goto("/sign-in")
    page.fill("#email", email)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/my/returns/")


def sign_in_at_the_desk(page: Page, account: Account) -> None:
    """Sign in by the form as a coordinator whose app is set up, and type its code."""
    factor_of(account)
    sign_in(page, account.email)
    page.goto("/second-factor/")
    page.fill("#code", code_of(account))
    page.keyboard.press("Enter")
    page.wait_for_url(lambda address: "second-factor" not in address)


def give_session(context: BrowserContext, served: str, account: Account) -> None:
    """Give a context the session of somebody who has signed in already."""
    client = client_of(account)
    name = settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": served}])
