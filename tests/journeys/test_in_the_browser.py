"""A family and a coordinator in a real Chromium: by mouse on a phone, by keyboard alone at a desk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, sync_playwright

from surveys.models import Return
from surveys.services.screening import screen_received
from tests.conftest import BROWSER
from tests.factories import PASSWORD, ApiClient, make_coordinator, make_season, make_trap, return_payload

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(params=[360, 1280], ids=["phone", "desk"])
def page(request: pytest.FixtureRequest, served: str) -> Iterator[Page]:
    """A page of a browser that notes policy violations, script errors and requests to other origins."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=BROWSER, args=["--no-sandbox", "--disable-background-networking", "--disable-sync"]
        )
        found = browser.new_context(viewport={"width": request.param, "height": 800}, base_url=served).new_page()
        complaints: list[str] = []
        # A refused form (422) and a missing page (404) are answers too: Chromium writes them down as errors.
        found.on(
            "console",
            lambda m: complaints.append(m.text) if m.type == "error" and "server responded" not in m.text else None,
        )
        found.on("request", lambda r: complaints.append(r.url) if not r.url.startswith(served) else None)
        yield found
        browser.close()
        assert complaints == []


def assert_accessible(page: Page) -> None:
    """Outside judge: axe-core finds nothing, and the page is no wider than its window."""
    from axe_playwright_python.sync_playwright import Axe

    assert Axe().run(page).response["violations"] == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), page.url


def sign_in(page: Page, email: str) -> None:
    page.goto("/sign-in")
    assert_accessible(page)
    page.fill("#email", email)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/my/returns/")


def test_a_family_joins_adds_its_ground_and_sends_a_return(page: Page) -> None:
    make_season()
    page.goto("/join")
    assert_accessible(page)
    page.fill("#email", "family@test.example")
    page.fill("#password", PASSWORD)
    page.check("input[name=adult]")
    page.check("input[name=kind][value=household]")
    page.click("main button[type=submit]")
    page.wait_for_url("**/my/sites/")
    page.fill("#latitude", "51.5")
    page.fill("#longitude", "-17,5")
    page.click("text=Add the site")
    page.click("text=Add the trap")
    assert_accessible(page)

    page.goto("/my/returns/new/")
    assert_accessible(page)
    page.click("text=Send this return")
    # Every fault at once, the title says so, and each links to its field.
    assert page.title().startswith("Error: ")
    assert page.locator(".summary li").count() >= 6
    assert_accessible(page)
    for name, day in (("set", "2"), ("emptied", "3")):
        page.fill(f"#{name}_day", day)
        page.fill(f"#{name}_month", "May")
        page.fill(f"#{name}_year", "2026")
        page.fill(f"#{name}_time", "5.30 pm")
    page.fill("#mouth_mm", "75")
    page.check("input[name=rim][value=flush]")
    page.check("input[name=cover][value=present]")
    page.check("input[name=liquid][value=nothing]")
    page.check("input[name=trap_state][value=intact]")
    page.fill("#n_woodlice", "lots")
    page.fill("#n_spiders", "2")
    page.fill("#n_centipedes", "0")
    page.select_option("#c_springtails", "c32to63")
    page.click("text=Send this return")
    # One answer was words: it is named, and everything else is still there.
    assert "as a count" in page.locator("#f_woodlice").inner_text()
    assert page.input_value("#n_spiders") == "2"
    assert page.input_value("#set_time") == "5.30 pm"
    page.fill("#n_woodlice", "14")
    page.click("text=Send this return")
    page.wait_for_url("**/my/returns/*-*/")
    assert_accessible(page)
    report = Return.objects.get()
    answers = {one.group.code: (one.answer, one.low, one.high) for one in report.catches.select_related("group")}
    assert answers == {
        "woodlice": ("number", 14, 14), "spiders": ("number", 2, 2), "centipedes": ("none_seen", 0, 0),
        "springtails": ("class", 32, 63),
    }  # fmt: skip
    assert report.set_at.isoformat() == "2026-05-02T17:30:00+00:00"
    page.goto("/my/returns/")
    assert_accessible(page)
    assert "2 May 2026" in page.content()


def test_a_coordinator_corrects_a_return_by_keyboard_alone(page: Page) -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    payload["catch"][4] = {"group": "ground_beetles", "answer": "number", "count": 40}
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    screen_received(most=5)
    coordinator = make_coordinator("eastmark")
    sign_in(page, coordinator.email)
    page.goto("/queue/")
    assert_accessible(page)
    focus(page, "a[href*='/queue/']:not([href='/queue/'])")
    page.keyboard.press("Enter")
    page.wait_for_url("**/queue/*-*/")
    assert_accessible(page)
    assert "40 sent" in page.content()
    focus(page, "#c_ground_beetles")
    page.keyboard.type("4")
    focus(page, "input[name=decision]")
    page.keyboard.press("ArrowDown")
    focus(page, "#reason")
    page.keyboard.type("a slip in a number")
    focus(page, "text=Put it on record")
    page.keyboard.press("Enter")
    page.wait_for_url("**/queue/")
    report = Return.objects.get()
    assert report.state == "corrected"
    assert report.corrections.get().low == 4
    assert report.verdicts.get().reason == "count_slip"


def focus(page: Page, selector: str) -> None:
    """Press Tab until the element has the focus."""
    target = page.locator(selector).first
    for _ in range(120):
        page.keyboard.press("Tab")
        if target.evaluate("element => element === document.activeElement"):
            return
    raise AssertionError(f"{selector} cannot be reached with the Tab key")


def test_public_pages_are_accessible_and_keep_to_themselves(page: Page) -> None:
    make_season()
    for address in ("/", "/seasons/test-2026/", "/codebook/", "/problems/stale/"):
        answer: Any = page.goto(address)
        assert answer.status == 200
        assert_accessible(page)
    missing: Any = page.goto("/nowhere/")
    assert missing.status == 404
    assert_accessible(page)
