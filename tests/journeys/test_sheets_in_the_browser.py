"""A teacher sends a spreadsheet in a real Chromium: fetched, sent, watched while it is read, mended, taken in."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from project.processes import Crew
from surveys.models import Job, Return, Sheet, Trap
from surveys.services.sheets import read_sheet
from surveys.vocabulary import HouseholdKind, JobKind
from tests.factories import make_household, make_season, make_site, make_trap
from tests.journeys.browsing import assert_accessible, give_session, listen
from tests.journeys.conftest import free_port

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NIGHT = ["2 May 2026", "17:30", "3 May 2026", "17:00", "", "75", "flush", "present", "nothing", "intact", ""]


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap(site=make_site(household=make_household(kind=HouseholdKind.SCHOOL)))


@pytest.fixture
def web(crew: Crew) -> str:
    """The address of a web server alone: the tests are the worker, so that waiting can be looked at."""
    address = f"127.0.0.1:{free_port()}"
    crew.start_web(address, processes=1)
    return f"http://{address}"


def page_of(browser: Browser, web: str, trap: Trap, *, width: int, scripts: bool = True) -> Page:
    """Open a page as the trap's keeper, who has signed in."""
    context = browser.new_context(
        viewport={"width": width, "height": 800}, base_url=web, java_script_enabled=scripts, accept_downloads=True
    )
    give_session(context, web, trap.site.household.keeper)
    return context.new_page()


def read_what_waits() -> None:
    """Do what a worker does."""
    for job in Job.objects.filter(kind=JobKind.SHEET, state="queued"):
        read_sheet(job_id=job.pk)


def fill_in(fetched: Path, trap: Trap, *rows: dict[int, str]) -> bytes:
    """Fill rows into the template that was fetched; each names what differs by place."""
    head = list(csv.reader(io.StringIO(fetched.read_text(encoding="utf-8-sig"))))[:3]
    plain = [trap.code, *NIGHT, "3", "none", "-", "?", "0", "16-31"]
    into = io.StringIO()
    csv.writer(into).writerows([*head, *([changed.get(n, cell) for n, cell in enumerate(plain)] for changed in rows)])
    return into.getvalue().encode()


@pytest.mark.parametrize("width", [360, 1280], ids=["phone", "desk"])
def test_a_teacher_sends_a_sheet_and_watches_it_being_read(browser: Browser, web: str, trap: Trap, width: int) -> None:
    page = page_of(browser, web, trap, width=width)
    complaints = listen(page, web)
    page.goto("/my/sheets/new/")
    assert_accessible(page)
    page.click("text=Read my file")
    assert page.title().startswith("Error: ")
    assert page.locator("#file-fault").inner_text() == "Choose the file that you filled in."
    assert_accessible(page)

    with page.expect_download() as fetched:
        page.click("text=Fetch it as plain text (csv)")
    bad = dict.fromkeys((12, 15), "lots") | {1: "9 May 2026", 3: "2/5/2026"}
    rows = [{}, *({**bad, 1: f"{n % 28 + 1} May 2026"} for n in range(30))]
    content = fill_in(fetched.value.path(), trap, *rows)
    page.set_input_files("#file", {"name": "Class nights.csv", "mimeType": "text/csv", "buffer": content})
    page.click("text=Read my file")
    page.wait_for_selector("progress")
    assert_accessible(page)
    Sheet.objects.update(rows=40, rows_read=10)
    page.wait_for_selector("[data-words]:has-text('10 of 40')")
    assert page.evaluate("document.querySelector('progress').value") == 10
    page.wait_for_selector("[data-said]:has-text('10 of 40')", state="attached")

    read_what_waits()
    page.wait_for_selector("text=Nothing of this file is sent yet. There is something to mend")
    assert page.locator("table.mend tbody").count() == 20
    assert_accessible(page)
    page.click("text=More rows")
    assert_accessible(page)
    with page.expect_download() as copy:
        page.click("text=Fetch a copy that shows what to mend")
    assert copy.value.suggested_filename == "Class nights-to mend.csv"
    assert Return.objects.count() == 0
    page.click("text=Send the 1 row that is ready")
    page.wait_for_selector("text=Your rows are sent")
    assert_accessible(page)
    assert Return.objects.count() == 1
    assert complaints == []


def test_without_javascript_the_page_looks_again_by_itself(browser: Browser, web: str, trap: Trap) -> None:
    page = page_of(browser, web, trap, width=360, scripts=False)
    page.goto("/my/sheets/new/")
    page.set_input_files("#file", {"name": "broken.xlsx", "mimeType": "application/zip", "buffer": b"\x89PNG"})
    page.click("text=Read my file")
    page.wait_for_selector("progress")
    read_what_waits()
    page.wait_for_selector("text=This file cannot be read", timeout=20_000)
    assert page.title().startswith("Error: ")
