"""Every page of the URL table in a real Chromium, at a phone's and a desk's width, in both languages.

Outside judge: axe-core. Pictures go to the folder that TRAPNIGHT_PICTURES names, if it names one.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from surveys.models import Account
from tests.architecture.test_addresses import ADDRESSES
from tests.journeys.browsing import give_session, listen
from tests.pages import World, walk

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

#: Addresses that answer with something else than a page.
NO_PAGES = {
    "service-worker", "web-manifest", "field-list", "trap-calendar", "sheet-template", "sheet-marked", "health-live",
    "health-ready", "metrics", "my-photo", "queue-photo", "release-file", "latest-release-file", "ogc", "ogc-slash",
    "ogc-conformance", "ogc-api", "ogc-collections", "ogc-collection", "ogc-items", "ogc-item",
}  # fmt: skip
PICTURES = os.environ.get("TRAPNIGHT_PICTURES", "")


def reader_of(name: str) -> str:
    """Return the role that a page is read in."""
    rule, _, whose = ADDRESSES[name]
    if rule.value in ("coordinator", "office", "appointed"):
        return "coordinator"
    if rule.value in ("lead", "planner"):
        return "lead coordinator"
    if whose == "school" or name == "my-classes":
        return "teacher"
    return "owner" if rule.value == "signed_in" else "anonymous"


def signed_in_page(browser: Browser, served: str, account: Account | None, width: int, language: str) -> Page:
    context = browser.new_context(viewport={"width": width, "height": 800}, base_url=served, locale=language)
    if account is not None:
        give_session(context, served, account)
    return context.new_page()


def faults_of(page: Page) -> list[str]:
    """Return what axe-core finds, and whether the page is wider than its window."""
    found: list[Any] = Axe().run(page).response["violations"]
    faults = [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in found]
    if not page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"):
        faults.append("wider than the window")
    if page.locator("h1:visible").count() != 1:
        faults.append(f"{page.locator('h1').count()} headings of the first rank")
    return faults


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("width", [360, 1280])
def test_every_page_is_accessible_and_asks_nobody_else(
    browser: Browser, served: str, width: int, language: str
) -> None:
    world = World()
    patterns = {name: pattern for name, pattern, _ in walk()}
    names = [
        name
        for name, (_, methods, _) in ADDRESSES.items()
        if "GET" in methods and not name.startswith("api-") and name not in NO_PAGES
    ]
    assert len(names) > 40
    wrong: dict[str, list[str]] = {}
    pages: dict[str, tuple[Page, list[str]]] = {}
    for name in names:
        role = reader_of(name)
        if role not in pages:
            page = signed_in_page(browser, served, world.people[role], width, language)
            pages[role] = (page, listen(page, served))
        page, complaints = pages[role]
        answer = page.goto(world.path_of(name, patterns[name]))
        assert answer is not None
        found = [*faults_of(page), *complaints]
        complaints.clear()
        if answer.status >= 400:
            found.append(f"answered with {answer.status}")
        if found:
            wrong[name] = found
        if PICTURES:
            page.screenshot(path=Path(PICTURES) / f"{name}_{width}_{language}.png", full_page=True)
    for page, _ in pages.values():
        page.context.close()
    assert wrong == {}, "\n".join(f"{name}: {one}" for name, all_of_it in wrong.items() for one in all_of_it)
