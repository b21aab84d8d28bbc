"""The guide, the key and the pages of the groups in a real Chromium: on a phone and at a desk, in light and dark."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from tests.factories import PASSWORD, code_of, factor_of, make_coordinator
from tests.journeys.browsing import assert_accessible, visit
from tests.surveys.web.guide_worlds import make_full_season

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PATHS = (
    "/guide/",
    "/safety/eastmark/",
    "/kinds/",
    "/kinds/caterpillars/",
    "/which-group/?back=/my/returns/new/",
    "/which-group/plates/?via=legs.many_legs",
    "/which-group/spiders/?via=legs.pincers.waist&back=/my/returns/new/",
    "/which-group/could_not_tell/",
)


#: What does not depend on the width is tried once.
ON_A_PHONE = pytest.mark.parametrize("page", [(360, "light")], ids=["phone"], indirect=True)


@pytest.fixture(params=[(320, "dark"), (360, "light"), (1280, "light")], ids=["narrow", "phone", "desk"])
def page(request: pytest.FixtureRequest, browser: Browser, served: str) -> Iterator[Page]:
    """A page without scripts of its own, where even an answer of refusal is a complaint."""
    width, look = request.param
    with visit(browser, served, width, refusals=False, color_scheme=look) as found:
        yield found


def test_every_page_is_accessible_and_no_wider_than_its_window(page: Page) -> None:
    make_full_season()
    for path in PATHS:
        page.goto(path)
        assert_accessible(page)
        small = page.evaluate(
            "[...document.querySelectorAll('main .ways a, main .kind-list a, main .button, main .button-quiet')]"
            ".filter(e => e.getBoundingClientRect().height < 44).map(e => e.textContent.trim())"
        )
        assert small == [], path


@ON_A_PHONE
def test_the_key_is_walked_by_keyboard_alone_to_the_row_of_the_count(page: Page) -> None:
    make_full_season()
    page.goto("/which-group/?back=/my/returns/new/")
    for words in ("Eight legs", "No pincers", "Two parts, with a waist"):
        page.get_by_role("link", name=words).focus()
        page.keyboard.press("Enter")
        page.wait_for_load_state()
    assert page.inner_text("h1") == "It is a spider."
    address = page.get_by_role("link", name="Count it under Spiders").get_attribute("href")
    assert address == "/my/returns/new/#row-spiders"


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_guide_prints_on_two_sheets_of_a4(browser: Browser, served: str, language: str) -> None:
    make_full_season()
    page = browser.new_context(base_url=served, locale=language).new_page()
    page.goto("/guide/")
    assert page.evaluate("document.documentElement.lang") == language
    sheets = page.pdf(format="A4")
    assert sheets.count(b"/Type /Page\n") + sheets.count(b"/Type /Page ") == 2


@ON_A_PHONE
def test_a_coordinator_looks_at_her_text_and_puts_it_on_the_page(page: Page) -> None:
    make_full_season()
    coordinator = make_coordinator("eastmark")
    factor_of(coordinator)
    page.goto("/sign-in?next=/safety/eastmark/edit/")
    page.fill("#email", coordinator.email)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("#code")
    assert_accessible(page)
    page.fill("#code", code_of(coordinator))
    page.keyboard.press("Enter")
    page.wait_for_selector("#text")
    assert_accessible(page)
    page.fill("#text", "## Adders\n\n- Step back. <b>Now</b>")
    page.click("text=Show how it looks")
    page.wait_for_selector("#preview")
    assert "Step back. <b>Now</b>" in page.inner_text(".written")
    assert_accessible(page)
    page.click("text=Put it on the page")
    page.wait_for_selector("text=Your text now stands on the page.")
    assert "Step back. <b>Now</b>" in page.inner_text(".written")
    assert "Written by the coordinator of Eastmark" in page.inner_text("main")
