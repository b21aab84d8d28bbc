"""A season from nothing to its first return, by pages alone, in a real Chromium: a coordinator plans it, a family joins.

Nothing is in the database but the lists of the reference and one coordinator of all regions.
"""

from __future__ import annotations

import json
import os
from datetime import date, timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page

from surveys.models import Return, Season
from surveys.services.season_plans import begin_plan
from surveys.services.seasons import install_reference
from tests.factories import ROOT, factor_of, make_coordinator, make_season, make_trap, protocol, send_return, square
from tests.journeys.browsing import assert_accessible, give_session, sign_in_at_the_desk, visit
from tests.journeys.test_in_the_browser import join
from tests.surveys.plans.drafts import collection, feature

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TITLE = "Merrow Night Count"


def look_at(page: Page, name: str) -> None:
    """Outside judge: axe-core finds nothing, and the page is no wider than its window; keep a picture if asked to."""
    assert_accessible(page)
    if folder := os.environ.get("TRAPNIGHT_PICTURES"):
        width = (page.viewport_size or {}).get("width")
        page.screenshot(path=Path(folder) / f"new-season-{name}-{width}.png", full_page=True)


def save(page: Page) -> None:
    """Press the button of the section, and come back to the plan."""
    page.locator("main form button.button", has_text="Save").first.click()
    page.locator("h1", has_text=TITLE).wait_for()


def section(page: Page, words: str) -> None:
    """Go to a section from the plan."""
    page.locator(".plan-list h2 a", has_text=words).click()
    page.locator("h1", has_text=words).wait_for()


@pytest.mark.parametrize("width", [360, 1280])
def test_a_new_season_is_planned_opened_and_has_its_first_return(
    browser: Browser, served: str, width: int, tmp_path: Path
) -> None:
    groups = json.loads((ROOT / "fixtures/reference/groups.json").read_text())
    habitats = json.loads((ROOT / "fixtures/reference/habitats.json").read_text())
    install_reference(by=None, groups=groups, habitats=habitats, protocol=protocol())
    lead = make_coordinator()
    assert factor_of(lead) is not None  # set up before
    today = timezone.localdate()
    with visit(browser, served, width) as page:
        page.set_default_timeout(20_000)
        sign_in_at_the_desk(page, lead)
        plan_it(page, today, tmp_path)
        open_it(page)
    season = Season.objects.get()
    assert (season.state, season.code) == ("open", "merrow-next")
    with visit(browser, served, width) as page:
        page.set_default_timeout(20_000)
        join_and_send(page, today)
    report = Return.objects.get()
    assert (report.season, report.region.code) == (season, "eastmark")
    assert report.catches.get(group__code="woodlice").low == 3


@pytest.mark.parametrize("width", [360, 1280])
def test_a_new_protocol_is_made_from_limits_and_tried_on_last_season(browser: Browser, served: str, width: int) -> None:
    """The worker behind the pages does the trying; the page looks again by itself."""
    make_season()
    for depth in (100, 155):
        send_return(make_trap(), screened=True, depth_mm=depth)
    lead = make_coordinator()
    plan = begin_plan(by=lead, copy_of="test-2026")
    with visit(browser, served, width) as page:
        page.set_default_timeout(20_000)
        give_session(page.context, served, lead)
        page.goto(f"/desk/seasons/{plan.public_id}/protocol/")
        page.check("input[name=choice][value=new-1]")
        page.click("text=Choose this")
        page.fill("#agreed_on", "2027-01-05")
        page.fill("#cup_depth-3-high", "160")
        page.fill("#cup_depth-5-low", "170")
        page.click("text=Save the limits")
        page.locator("text=no range holds the values between 160 and 170").first.wait_for()
        look_at(page, "20-limits")
        page.fill("#cup_depth-5-low", "160")
        page.click("text=Save the limits")
        page.locator("h1", has_text="Test count 2027").wait_for()
        page.goto(f"/desk/seasons/{plan.public_id}/protocol/sentences/")
        look_at(page, "21-sentences")
        page.goto(f"/desk/seasons/{plan.public_id}/protocol/preview/")
        page.click("button:text-is('Try it')")
        page.locator("text=Returns by their standing").wait_for()
        assert page.locator("th", has_text="Depth of the cup").count() == 1
        look_at(page, "22-tried")
        page.goto("/desk/seasons/close/test-2026/")
        look_at(page, "23-close")


def plan_it(page: Page, today: date, folder: Path) -> None:
    """Begin an empty plan, and fill its sections in an order of one's own."""
    page.goto("/desk/seasons/")
    look_at(page, "01-list")
    page.click("text=Plan a season")
    look_at(page, "02-new")
    page.keyboard.press("Tab")
    page.locator("main form button").focus()
    page.keyboard.press("Enter")
    page.locator("h1", has_text="A plan without a title").wait_for()
    look_at(page, "03-plan")
    name_it(page, today)
    send_regions(page, folder)
    section(page, "Groups")
    for code in ("woodlice", "spiders", "ground_beetles"):
        page.check(f"input[name=group-{code}]")
    look_at(page, "05-groups")
    save(page)
    section(page, "Habitats")
    page.click("button[value=equal]")
    page.locator("text=The saved weights sum to 1.0.").wait_for()
    look_at(page, "06-habitats")
    page.click("text=Back to the plan")
    section(page, "Protocol")
    page.check("input[name=choice][value='1']")
    look_at(page, "07-protocol")
    page.click("text=Choose this")
    page.locator("h1", has_text=TITLE).wait_for()
    section(page, "Weeks")
    page.fill("#window-1-name", "All weeks")
    page.fill("#window-1-first_day", (today - timedelta(days=20)).isoformat())
    page.fill("#window-1-last_day", (today + timedelta(days=20)).isoformat())
    look_at(page, "08-weeks")
    save(page)
    section(page, "Texts")
    page.fill("#welcome", "Welcome, all of you. We look down, and see who walks at night.")
    look_at(page, "09-texts")
    save(page)


def name_it(page: Page, today: date) -> None:
    """Give name and dates by keyboard alone, a slip among them that the page keeps and names."""
    section(page, "Name and dates")
    days = [(today - timedelta(days=30)).isoformat(), "next winter"]
    page.focus("#title")
    for text in (TITLE, "merrow-next", "Merrow Field Office", "count@merrow-field-office.example", *days):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.keyboard.type("Atlantic/Reykjavik")
    page.keyboard.press("Escape")  # the list of zones
    page.keyboard.press("Enter")
    page.locator("text=next winter is not a day of the calendar").first.wait_for()
    assert page.input_value("#title") == TITLE
    look_at(page, "04-name")
    page.fill("#closes_on", (today + timedelta(days=200)).isoformat())
    page.keyboard.press("Enter")
    page.locator("h1", has_text=TITLE).wait_for()


def send_regions(page: Page, folder: Path) -> None:
    """Send a file whose regions overlap, then the mended one."""
    section(page, "Regions")
    for side, name in ((1.1, "crossing.geojson"), (1.0, "regions.geojson")):
        regions = collection(
            feature("eastmark", "Eastmark", square(-18, 51)), feature("westmark", "Westmark", square(-19, 51, side))
        )
        file = folder / name
        file.write_text(json.dumps(regions))
        page.set_input_files("#file", file)
        page.click("text=Send and check")
        if side > 1:
            page.locator("text=Eastmark and Westmark overlap").first.wait_for()
            look_at(page, "10-regions")
    page.locator("h1", has_text=TITLE).wait_for()


def open_it(page: Page) -> None:
    """Look at everything, and open."""
    look_at(page, "11-plan")
    assert page.locator(".plan-list .done").count() == 7
    page.click("text=Look at everything and open the season")
    look_at(page, "12-open")
    page.click("button:text-is('Open the season')")
    page.locator("text=Say first that you know it").first.wait_for()
    page.focus("#freezes")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.locator("text=The season is open.").wait_for()


def join_and_send(page: Page, today: date) -> None:
    """Read the welcome, join, add a site and a trap, and send a return of the night before."""
    page.goto("/")
    page.locator("text=We look down, and see who walks at night.").wait_for()
    join(page, "family@test.example")
    page.goto("/my/sites/")
    page.click("text=Add a site")
    page.fill("#latitude", "51.5")
    page.fill("#longitude", "-17,5")
    page.click("main button:text-is('Go on'):visible")
    page.click("text=Yes, add this site")
    page.select_option("select[name=habitat]", "short_lawn")
    page.click("text=Add to this site")
    page.goto("/my/returns/new/")
    for name, day in (("set", today - timedelta(days=2)), ("emptied", today - timedelta(days=1))):
        typed = {"day": str(day.day), "month": day.strftime("%B"), "year": str(day.year), "time": "5.30 pm"}
        for part, text in typed.items():
            page.fill(f"#{name}_{part}", text)
    page.fill("#mouth_mm", "75")
    for question, answer in (("rim", "flush"), ("cover", "present"), ("liquid", "nothing"), ("trap_state", "intact")):
        page.check(f"input[name={question}][value={answer}]")
    page.fill("#n_woodlice", "3")
    page.click("text=Send this return")
    page.wait_for_url("**/my/returns/*-*/")
