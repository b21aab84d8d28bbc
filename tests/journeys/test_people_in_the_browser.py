"""From an invitation in the mail to the desk, in a real browser: on a phone and at a desk.

Outside judge: axe-core.
"""

from __future__ import annotations

import os
from base64 import b32decode
from pathlib import Path

import pytest
from django.utils import timezone
from django_otp.oath import totp
from playwright.sync_api import Browser

from surveys.services.appointments import invite
from surveys.vocabulary import Role
from tests.factories import PASSWORD, client_of, code_of, factor_of, make_account, make_coordinator, make_season
from tests.journeys.browsing import assert_accessible, sign_in_at_the_desk, visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PICTURES = os.environ.get("TRAPNIGHT_PICTURES", "")


@pytest.mark.parametrize("width", [360, 1280])
def test_whoever_is_invited_comes_to_the_desk_with_an_app_of_their_own(
    browser: Browser, served: str, width: int
) -> None:
    make_season()
    account = make_account(email="new@test.example")
    invited = invite(
        by=make_coordinator(), email=account.email, role=Role.COORDINATOR, regions=["eastmark"], now=timezone.now()
    )
    with visit(browser, served, width) as page:

        def look(name: str) -> None:
            assert_accessible(page)
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"people_{name}_{width}.png", full_page=True)

        page.goto(f"/invitation/{invited.link}/")
        look("invitation_unknown")
        page.click("main a:has-text('Sign in')")
        page.fill("#email", account.email)
        page.fill("#password", PASSWORD)
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Take it up").wait_for()
        look("invitation")
        page.click("text=Take it up")
        page.wait_for_url("**/second-factor/new/**")
        look("set_up")
        secret = b32decode(page.inner_text("code.key").replace(" ", ""))
        page.fill("#code", "000000")
        page.keyboard.press("Enter")
        page.wait_for_selector("#code-fault")
        assert page.title().startswith("Error: ")
        look("set_up_wrong")
        page.fill("#code", f"{totp(secret):06d}")
        page.keyboard.press("Enter")
        page.wait_for_selector(".codes")
        assert page.locator(".codes li").count() == 10
        look("codes")
        page.click("text=I have them: go on")
        page.wait_for_url("**/desk/people/")
        assert account.email in page.inner_text("main")
        look("people_of_a_region")
        page.goto("/second-factor/codes/")
        look("codes_left")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_code_is_asked_for_once_and_people_are_looked_after(browser: Browser, served: str, width: int) -> None:
    make_season()
    lead, east = make_coordinator(), make_coordinator("eastmark")
    factor_of(lead)
    client_of(east)
    invite(by=lead, email="waiting@test.example", role=Role.RESEARCHER, regions=None, now=timezone.now())
    with visit(browser, served, width) as page:

        def look(name: str) -> None:
            assert_accessible(page)
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"people_{name}_{width}.png", full_page=True)

        sign_in_at_the_desk(page, lead)
        page.goto("/desk/people/")
        look("people")
        page.click("text=Invite somebody")
        page.wait_for_url("**/invite/")
        page.click("text=Send the invitation")
        page.wait_for_selector("#summary")
        look("invite_wrong")
        page.fill("#email", "third@test.example")
        page.check("input[value=eastmark]")
        page.click("text=Send the invitation")
        page.wait_for_selector("text=The invitation is on its way")
        look("people_invited")
        page.locator("tr", has_text="third@test.example").get_by_role("button").click()
        page.wait_for_selector("text=The invitation is called back")
        page.locator("tr", has_text=east.email).get_by_text("Lost phone?").click()
        look("reset")
        page.click("text=Take it off")
        page.wait_for_selector("text=The app is taken off")
        page.locator("tr", has_text=east.email).get_by_text("End it").click()
        look("end")
        page.get_by_role("button", name="End the appointment").click()
        page.wait_for_selector("text=The appointment is ended")
        assert east.email not in page.inner_text("main")


@pytest.mark.parametrize("width", [360, 1280])
def test_a_wrong_code_is_told_and_the_right_one_goes_on(browser: Browser, served: str, width: int) -> None:
    make_season()
    coordinator = make_coordinator("eastmark")
    device = factor_of(coordinator)
    with visit(browser, served, width) as page:
        page.goto("/sign-in?next=/queue/")
        page.fill("#email", coordinator.email)
        page.fill("#password", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url("**/second-factor/**")
        assert_accessible(page)
        page.fill("#code", "000000")
        page.keyboard.press("Enter")
        page.wait_for_selector("#code-fault")
        assert_accessible(page)
        if PICTURES:
            page.screenshot(path=Path(PICTURES) / f"people_code_wrong_{width}.png", full_page=True)
        assert device is not None
        type(device).objects.update(throttling_failure_count=0)
        page.fill("#code", code_of(coordinator))
        page.keyboard.press("Enter")
        page.wait_for_url("**/queue/")
