"""A tray photo in a real browser without JavaScript: sent from a phone, cut on a desk, deleted.

Outside judge: axe-core.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from surveys.models import Return, TrayPhoto
from tests.factories import make_coordinator, make_season, make_trap, send_return
from tests.journeys.browsing import assert_accessible, give_session, visit
from tests.pictures import corners_of, laden_jpeg

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PICTURES = os.environ.get("TRAPNIGHT_PICTURES", "")


@pytest.fixture
def report(served: str) -> Return:
    make_season(tray_photos=True)
    return send_return(make_trap(), liquid="soap", screened=True)


@pytest.fixture(params=[360, 1280])
def page(request: pytest.FixtureRequest, browser: Browser, served: str) -> Iterator[Page]:
    with visit(browser, served, request.param, java_script_enabled=False) as opened:
        yield opened


def look_at(page: Page, name: str) -> None:
    """Keep a picture of the page where one is wanted."""
    if PICTURES and page.viewport_size:
        width = page.viewport_size["width"]
        page.screenshot(path=Path(PICTURES) / f"photo_{name}_{width}.png", full_page=True)


def test_a_photo_is_sent_cut_and_deleted_without_javascript(
    page: Page, browser: Browser, served: str, report: Return
) -> None:
    keeper = report.trap.site.household.keeper
    assert keeper is not None
    give_session(page.context, served, keeper)
    page.goto(f"/my/returns/{report.uuid}/")
    look_at(page, "form")
    page.get_by_role("button", name="Send the photo").click()
    page.locator("#photo-fault").wait_for()
    assert page.get_by_text("Choose a picture first.").count() == 2
    look_at(page, "fault")
    tray = {"name": "IMG_0815.JPG", "mimeType": "image/jpeg", "buffer": laden_jpeg(orientation=6)}
    page.get_by_label("Send a photo of the tray").set_input_files(tray)
    page.get_by_role("button", name="Send the photo").click()
    page.get_by_text("Thank you. Your photo has arrived.").wait_for()
    page.get_by_role("img", name="The tray with your catch").wait_for()
    look_at(page, "own")
    page.context.clear_cookies()
    give_session(page.context, served, make_coordinator("eastmark"))
    page.goto(f"/queue/{report.uuid}/photo/edit/")
    look_at(page, "edit")
    page.get_by_label("Left").fill("50")
    page.get_by_role("button", name="Show me first").click()
    page.get_by_text("The bright part stays: 150 by 400 dots.").wait_for()
    look_at(page, "look")
    page.get_by_role("button", name="Cut it").click()
    page.get_by_text("The photo is cut.").wait_for()
    # EXIF 2.32: 6 turns blue, red, white, green upright; the right half of that is red above green.
    assert corners_of(bytes(TrayPhoto.objects.get().picture)) == ["red", "red", "green", "green"]
    page.goto(f"/queue/{report.uuid}/photo/edit/")
    page.get_by_role("button", name="Delete the photo").click()
    page.get_by_role("heading", name="Delete this photo?").wait_for()
    look_at(page, "delete")
    page.get_by_role("button", name="Yes, delete it").click()
    page.get_by_text("The photo is deleted.").wait_for()
    assert TrayPhoto.objects.count() == 0


@pytest.mark.parametrize("width", [360, 1280])
def test_the_pages_are_accessible(browser: Browser, served: str, report: Return, width: int) -> None:
    keeper = report.trap.site.household.keeper
    assert keeper is not None
    coordinator = make_coordinator("eastmark")
    with visit(browser, served, width) as page:
        give_session(page.context, served, keeper)
        page.goto(f"/my/returns/{report.uuid}/")
        assert_accessible(page)
        page.get_by_role("button", name="Send the photo").click()
        page.locator("#photo-fault").wait_for()
        assert_accessible(page)
        tray = {"name": "tray.jpg", "mimeType": "image/jpeg", "buffer": laden_jpeg()}
        page.get_by_label("Send a photo of the tray").set_input_files(tray)
        page.get_by_role("button", name="Send the photo").click()
        page.get_by_text("Delete this photo").click()
        page.get_by_text("Send another photo").click()
        assert_accessible(page)
        page.context.clear_cookies()
        give_session(page.context, served, coordinator)
        page.goto(f"/queue/{report.uuid}/photo/edit/")
        assert_accessible(page)
        page.get_by_label("Top").fill("x")
        page.get_by_role("button", name="Cut it").click()
        page.locator("#top-fault").wait_for()
        assert_accessible(page)
        page.get_by_label("Top").fill("20")
        page.get_by_role("button", name="Show me first").click()
        page.locator(".cut-shown").wait_for()
        assert_accessible(page)
        page.get_by_role("button", name="Delete the photo").click()
        page.get_by_role("heading", name="Delete this photo?").wait_for()
        assert_accessible(page)
