"""Second looks by keyboard alone, with the number keys and without a script."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from surveys.models import Account, SecondLook
from tests.factories import make_coordinator, make_season, make_trap, send_return
from tests.journeys.browsing import assert_accessible, give_session, visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def coordinator() -> Account:
    """Three returns wait for this coordinator's second look."""
    make_season()
    for _ in range(3):
        report = send_return(make_trap(), screened=True)
        SecondLook.objects.create(report=report, season=report.season, state=report.state)
    return make_coordinator("eastmark")


def opinions() -> list[str]:
    return sorted(SecondLook.objects.filter(looked_at__isnull=False).values_list("opinion", flat=True))


def test_number_keys_work_through_the_looks(page: Page, served: str, coordinator: Account) -> None:
    give_session(page.context, served, coordinator)
    page.goto("/desk/second-looks/")
    page.get_by_role("link", name="Begin").press("Enter")
    assert_accessible(page)
    page.keyboard.press("1")
    expect(page.get_by_text("Your second look is on record.")).to_be_visible()
    page.keyboard.press("3")  # without a reason it is asked for
    expect(page.get_by_role("alert")).to_be_visible()
    assert_accessible(page)
    page.select_option("#reason", "count_slip")
    page.get_by_role("button", name="Set it aside").press("Enter")
    expect(page.get_by_text("1 second look waits for you.")).to_be_visible()
    page.get_by_label("The number keys decide").uncheck()
    page.keyboard.press("1")
    page.reload()
    expect(page.get_by_text("1 second look waits for you.")).to_be_visible()
    assert opinions() == ["discounted", "upheld"]


def test_tab_and_enter_are_enough_without_a_script(browser: Browser, served: str, coordinator: Account) -> None:
    with visit(browser, served, 360, java_script_enabled=False) as page:
        give_session(page.context, served, coordinator)
        page.goto("/desk/second-looks/")
        page.get_by_role("link", name="Begin").press("Enter")
        page.locator("#reason").focus()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.get_by_text("Your second look is on record.")).to_be_visible()
        expect(page.get_by_label("The number keys decide")).to_be_hidden()
    assert opinions() == ["upheld"]
