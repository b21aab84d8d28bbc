"""A family and a coordinator in a real Chromium: by mouse on a phone, by keyboard alone at a desk."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page

from surveys.models import Return
from surveys.services.screening import screen_received
from tests.factories import PASSWORD, ApiClient, make_coordinator, make_season, make_trap, return_payload
from tests.journeys.browsing import assert_accessible, sign_in, sign_in_at_the_desk

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def join(page: Page, email: str) -> None:
    """Join, and go on at once: there is no mail in the garden, and the address can be confirmed later."""
    page.goto("/join")
    assert_accessible(page)
    page.fill("#email", email)
    page.fill("#password", PASSWORD)
    page.check("input[name=adult]")
    page.check("input[name=kind][value=household]")
    page.check("input[name=consent]")
    page.click("main button[type=submit]")
    page.wait_for_url("**/join/confirm")
    assert_accessible(page)
    page.click("text=Sign in and go on")
    page.wait_for_url("**/sign-in**")
    assert_accessible(page)
    sign_in(page, email)
    assert "not confirmed yet" in page.inner_text("main")


def test_a_family_joins_adds_its_ground_and_sends_a_return(page: Page) -> None:
    make_season()
    join(page, "family@test.example")
    page.goto("/my/sites/")
    page.click("text=Add a site")
    page.fill("#latitude", "51.5")
    page.fill("#longitude", "-17,5")
    page.click("main button:text-is('Go on'):visible")
    page.click("text=Yes, add this site")
    page.select_option("select[name=habitat]", "short_lawn")
    page.click("text=Add to this site")
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
    page.goto("/sign-in")
    assert_accessible(page)
    sign_in_at_the_desk(page, coordinator)
    page.goto("/queue/")
    assert_accessible(page)
    focus(page, ".waiting h2 a")
    page.keyboard.press("Enter")
    page.wait_for_url("**/queue/*-*/")
    assert_accessible(page)
    assert "40 sent" in page.content()
    focus(page, "#c_ground_beetles")
    page.keyboard.type("4")
    focus(page, "summary:has-text('A different verdict')")
    page.keyboard.press("Enter")
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
