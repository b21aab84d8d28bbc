"""The methods in a real Chromium: folded, opened by an address, printed whole."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page

from tests.journeys.browsing import assert_accessible, visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OPEN = "[...document.querySelectorAll('details.whole')].filter((one) => one.open).map((one) => one.dataset.whole)"


def opened(page: Page) -> list[str]:
    found: list[str] = page.evaluate(OPEN)
    return found


def test_an_address_opens_its_section_and_no_other(browser: Browser, served: str) -> None:
    with visit(browser, served, 360) as page:
        page.goto("/methods/")
        assert opened(page) == []
        assert page.locator("#section-5 + .short").is_visible()
        assert not page.locator("#section-5-1").is_visible()
        page.goto("/methods/#section-5")
        page.wait_for_selector("#section-5-1", state="visible")
        assert opened(page) == ["section-5"]
        page.locator(".sections").get_by_role("link", name="Disclosure").click()
        page.wait_for_selector('[data-whole="section-12"][open]')
        assert opened(page) == ["section-5", "section-12"]
        assert_accessible(page)


def test_an_address_within_a_section_needs_no_script(browser: Browser, served: str) -> None:
    with visit(browser, served, 1280, java_script_enabled=False) as page:
        page.goto("/methods/#section-5-1")
        page.wait_for_selector("#section-5-1", state="visible")


def test_all_of_it_is_printed(browser: Browser, served: str) -> None:
    with visit(browser, served, 1280, java_script_enabled=False) as page:
        page.goto("/methods/")
        folded = page.locator("article").bounding_box()
        page.emulate_media(media="print")
        printed = page.locator("article").bounding_box()
        assert folded is not None
        assert printed is not None
        assert printed["height"] > 3 * folded["height"]
