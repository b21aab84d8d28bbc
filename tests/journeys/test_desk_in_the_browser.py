"""The coordinator's desk in a real Chromium: by keyboard only, with the number keys switched off, and without script."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from surveys.models import Account, Correction, Lease, Return, Verdict
from tests.factories import make_coordinator, make_season, make_site, make_trap, send_return
from tests.journeys.browsing import assert_accessible, give_session, visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator()


@pytest.fixture
def waiting(coordinator: Account) -> list[Return]:
    """Two returns with soap in the cup, then one with a count ten times too high, from ground that was counted before."""
    site = make_site()
    trap, beside = make_trap(site=site), make_trap(site=site, habitat="hedge_base")
    counted = [{"group": "ground_beetles", "answer": "number", "count": 3}]
    for one in (trap, beside):
        send_return(one, catch=counted, screened=True)
    later = {"set_at": "2026-05-09T17:00:00Z", "emptied_at": "2026-05-10T17:00:00Z"}
    send_return(beside, catch=counted, screened=True, **later)
    tenfold = send_return(
        trap, catch=[{"group": "ground_beetles", "answer": "number", "count": 40}], screened=True, **later
    )
    soaped = [send_return(make_trap(), liquid="soap", screened=True) for _ in range(2)]
    found = [*soaped, tenfold]
    for report in found:
        report.refresh_from_db()
        assert report.state == "queried"
    return found


def press_key(page: Page, key: str) -> None:
    """Press a number key once the page listens to it."""
    page.wait_for_selector("[data-keys=ready]", state="attached")
    page.keyboard.press(key)


def press_until(page: Page, words: str, *, most: int = 60) -> None:
    """Go on with Tab until the button or link with these words has the focus, and press it."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if words in (page.evaluate("document.activeElement.innerText") or ""):
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"{words!r} is not reached by Tab")


def test_three_returns_are_decided_by_keyboard_and_the_last_is_taken_back(
    page: Page, served: str, coordinator: Account, waiting: list[Return]
) -> None:
    give_session(page.context, served, coordinator)
    page.goto("/queue/")
    assert_accessible(page)
    press_until(page, "Read the next one")
    page.wait_for_selector("h1:has-text('Mossy')")
    assert Lease.objects.get().report == waiting[0]
    press_key(page, "3")
    page.wait_for_selector(".undo-last:has-text('Set it aside')")
    press_key(page, "1")
    page.wait_for_selector(".undo-last:has-text('Let it stand')")
    # The last one: its evidence is drawn, and what fits is one key away.
    assert page.locator("text=It fits if Ground beetles reads").first.is_visible()
    page.wait_for_selector("h2:has-text('The same ground, the same night')")
    assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    press_key(page, "2")
    page.wait_for_selector("text=Nothing waits. The lantern can go out.")
    assert Correction.objects.get().low == 4
    press_until(page, "Take it back")
    page.wait_for_selector("text=Your verdict is taken back.")
    states = [Return.objects.get(pk=report.pk).state for report in waiting]
    assert states == ["discounted", "upheld", "queried"]


def test_the_number_keys_are_quiet_in_a_box_and_when_they_are_switched_off(
    page: Page, served: str, coordinator: Account, waiting: list[Return]
) -> None:
    give_session(page.context, served, coordinator)
    page.goto(f"/queue/{waiting[2].uuid}/")
    page.focus("#c_ground_beetles")
    page.keyboard.type("13")
    assert page.input_value("#c_ground_beetles") == "13"
    page.locator("[data-keys-on]").uncheck()
    page.locator("h1").click()
    press_key(page, "1")
    page.reload()
    # The choice is kept, and no key-cap stands on a button.
    expect(page.locator("[data-keys-on]")).not_to_be_checked()
    assert page.locator(".key-cap:visible").count() == 0
    press_key(page, "1")
    page.goto("/queue/")
    assert Verdict.objects.count() == 0


@pytest.mark.parametrize("width", [360, 1280])
def test_it_works_without_script(
    browser: Browser, served: str, coordinator: Account, waiting: list[Return], width: int
) -> None:
    with visit(browser, served, width, java_script_enabled=False) as page:
        give_session(page.context, served, coordinator)
        page.goto("/queue/?reason=safety")
        page.click("text=Decide these together")
        page.check("input[name=decision][value=discounted]")
        page.select_option("#reason", "liquid_used")
        page.click("text=Check once more")
        page.click("text=Put 2 verdicts on record")
        page.click("text=Take them back")
        page.click("#next")
        page.click("button:has-text('Set it aside')")
        page.wait_for_selector(".undo-last:has-text('Set it aside')")
        assert page.locator("[data-keys]:visible").count() == 0
    assert sorted(Return.objects.filter(verdicts__isnull=False).distinct().values_list("state", flat=True)) == [
        "discounted", "queried",
    ]  # fmt: skip
