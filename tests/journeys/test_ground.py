"""A household shows where its ground is, and prints its field sheets, in a real Chromium."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, BrowserContext, Page, expect

from surveys.models import Account, Opening, Site
from surveys.services.sites import add_trap
from tests.factories import make_coordinator, make_household, make_season, make_site
from tests.journeys.browsing import assert_accessible, give_session, listen
from tests.surveys.web.guide_worlds import make_full_season

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

#: Counts how often a page asks where it is.
SPY = """
window.asked = 0;
const ask = navigator.geolocation.getCurrentPosition.bind(navigator.geolocation);
navigator.geolocation.getCurrentPosition = (...given) => { window.asked += 1; ask(...given); };
"""


def context_of(browser: Browser, served: str, account: Account, **options: Any) -> BrowserContext:
    """Return a browser in which somebody is signed in already."""
    context = browser.new_context(base_url=served, **options)
    give_session(context, served, account)
    return context


def go_on(page: Page) -> None:
    page.click("main form button.button")


@pytest.mark.parametrize("width", [320, 1280])
@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_household_finds_its_square_on_the_map(browser: Browser, served: str, width: int, script: bool) -> None:
    make_season()
    household = make_household()
    size = {"width": width, "height": 800}
    page = context_of(browser, served, household.keeper, viewport=size, java_script_enabled=script).new_page()
    complaints = listen(page, served)
    page.goto("/my/sites/new/")
    page.click(".tile-links >> text=Eastmark")
    page.click(".tile-links >> text=E5")
    page.check('input[value="C5"]', force=True)
    go_on(page)
    expect(page).to_have_title("Is this the place?: Trapnight")
    go_on(page)
    page.wait_for_url(re.compile(r"/my/sites/[0-9a-f-]{36}/$"))
    site = Site.objects.get()
    assert page.url == f"{served}/my/sites/{site.public_id}/"
    # Fifth column from 18 W, fifth row from 52 N: the cell at 51.5 N, 17.6 W; in it the third of six, the fifth of ten.
    assert site.cell_code == "n51.50w17.60"
    assert (site.point.latitude, site.point.longitude) == (51.555, pytest.approx(-17.6 + 2.5 / 60, abs=1e-6))
    assert complaints == []


def test_a_press_sets_the_marker_and_arrow_keys_move_it(browser: Browser, served: str) -> None:
    make_season()
    page = context_of(browser, served, make_household().keeper, viewport={"width": 360, "height": 800}).new_page()
    complaints = listen(page, served)
    page.goto("/my/sites/new/?region=eastmark&cell=n51.50w17.60")
    assert_accessible(page)
    grid = page.locator(".squares").bounding_box()
    assert grid
    page.mouse.click(grid["x"] + grid["width"] * 0.45, grid["y"] + grid["height"] * 0.45)
    assert page.is_checked('input[value="C5"]')
    assert page.inner_text("[data-told]") == "The marker stands in square C5."
    place = lambda: [float(page.input_value(f"[name={name}]")) for name in ("latitude", "longitude")]  # noqa: E731
    # 0.45 of 0.1 degrees from the north-west corner at 51.6 N, 17.6 W; a pixel is 0.0003 degrees.
    before = place()
    assert before == pytest.approx([51.555, -17.555], abs=0.0005)
    page.focus(".marker")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Shift+ArrowRight")
    # 100 m north is 100 / 111 320 degrees; 10 m east that of 10 by the cosine of 51.55 degrees.
    assert place() == pytest.approx([before[0] + 100 / 111_320, before[1] + 10 / 111_320 / 0.6218], abs=2e-6)
    page.focus('input[value="C5"]')
    page.keyboard.press("ArrowRight")
    assert page.is_checked('input[value="D5"]')
    assert page.input_value("[name=latitude]") == ""
    assert_accessible(page)
    assert complaints == []


@pytest.mark.parametrize("allowed", [True, False])
def test_a_phone_is_asked_where_it_is_after_a_press_and_at_no_other_time(
    browser: Browser, served: str, allowed: bool
) -> None:
    """C8 of the standards notes."""
    make_season()
    here = {"geolocation": {"latitude": 51.51234, "longitude": -17.54321, "accuracy": 12}}
    more: dict[str, Any] = {**here, "permissions": ["geolocation"]} if allowed else {}
    context = context_of(browser, served, make_household().keeper, **more)
    context.add_init_script(SPY)
    page = context.new_page()
    complaints = listen(page, served)
    page.goto("/my/sites/new/")
    page.fill("#latitude", "1")
    assert page.evaluate("window.asked") == 0
    page.click("text=Use where I am")
    page.wait_for_function("!document.querySelector('.here [role=status]').textContent.startsWith('Asking')")
    assert page.evaluate("window.asked") == 1
    if allowed:
        assert page.input_value(".here [name=latitude]") == "51.512340"
        assert "about 12 metres" in page.inner_text(".here [role=status]")
        assert_accessible(page)
        go_on(page)
        page.check("#fine")
        go_on(page)
        assert (Site.objects.get().point.latitude, Site.objects.get().point.longitude) == (51.5123, -17.5432)
    else:
        assert "did not tell us" in page.inner_text(".here [role=status]")
    assert complaints == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_each_sheet_is_one_page_of_a4_with_every_group_of_the_list(
    browser: Browser, served: str, language: str
) -> None:
    make_full_season()
    household = make_household()
    site = make_site(household=household)
    for number in range(5):
        trap = add_trap(by=household.keeper, site=site.public_id, habitat="short_lawn", plan_square=f"A{number + 1}")
    page = context_of(browser, served, household.keeper, locale=language).new_page()
    for path, sheets in ((f"/my/sites/{site.public_id}/sheets", 5), (f"/my/traps/{trap.public_id}/sheet", 1)):
        page.goto(path)
        assert page.evaluate("document.documentElement.lang") == language
        printed = page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == sheets
        boxes = {
            tuple(round(float(edge)) for edge in box.split())
            for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", printed)
        }
        assert boxes == {(0, 0, 595, 842)}  # A4 in points: ISO 216, 210 by 297 mm


@pytest.mark.parametrize("width", [320, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_of_the_ground_is_accessible(browser: Browser, served: str, width: int, scheme: Any) -> None:
    make_season()
    household = make_household()
    site = make_site(household=household)
    traps = [
        add_trap(by=household.keeper, site=site.public_id, habitat="short_lawn", plan_square=square)
        for square in ("B2", "B2", "")
    ]
    Opening.objects.create(
        uuid=uuid.uuid4(),
        trap=traps[0],
        by=household.keeper,
        fingerprint="-",
        set_at=timezone.now() - timedelta(hours=30),
    )
    own = (
        "/my/sites/", "/my/sites/new/", "/my/sites/new/?region=eastmark", f"/my/sites/{site.public_id}/",
        "/my/sites/new/?region=eastmark&cell=n51.50w17.60", f"/my/traps/{traps[0].public_id}/",
        f"/my/traps/{traps[1].public_id}/", f"/my/traps/{traps[0].public_id}/sheet", "/t/", "/t/?code=000000",
    )  # fmt: skip
    for account, paths in ((household.keeper, own), (make_coordinator(), ("/overdue/",))):
        size = {"width": width, "height": 800}
        page = context_of(browser, served, account, viewport=size, color_scheme=scheme).new_page()
        complaints = listen(page, served)
        for path in paths:
            page.goto(path)
            assert_accessible(page)
        assert complaints == []
