"""A release from the desk in a real Chromium: asked for, watched while a worker makes it, read, and withdrawn."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from playwright.sync_api import Browser, Page, expect

from project.processes import Crew
from surveys.models import Account, Job, Release, Season
from surveys.services.releases import make_release
from surveys.vocabulary import JobKind, JobState
from tests.factories import make_coordinator, make_season
from tests.journeys.browsing import assert_accessible, give_session, listen
from tests.journeys.conftest import free_port
from tests.making import make_release_now
from tests.several_seasons import catch_of, send_year
from tests.surveys.services.test_frozen_tables import own_gardens

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

#: Milliseconds in which a worker makes a small release, on a busy machine.
PATIENCE_MS = 180_000
PICTURES = os.environ.get("TRAPNIGHT_PICTURES", "")


@pytest.fixture(autouse=True)
def empty_folder() -> Iterator[None]:
    """Releases of this test's own: server and worker read the same folder."""
    shutil.rmtree(django_settings.RELEASES_FOLDER, ignore_errors=True)
    yield
    shutil.rmtree(django_settings.RELEASES_FOLDER, ignore_errors=True)


@pytest.fixture
def lead() -> Account:
    season = make_season()
    for region in ("eastmark", "westmark"):
        send_year(own_gardens(12, region=region), 2026, lambda n: catch_of(woodlice=n % 5 + 1, spiders=2))
    assert season.code == "test-2026"
    return make_coordinator()


def page_of(browser: Browser, served: str, account: Account, *, width: int = 1280, scripts: bool = True) -> Page:
    """Open a page as a coordinator who has given the second factor."""
    context = browser.new_context(
        viewport={"width": width, "height": 800}, base_url=served, java_script_enabled=scripts
    )
    give_session(context, served, account)
    return context.new_page()


def picture(page: Page, name: str) -> None:
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / f"{name}_{(page.viewport_size or {})['width']}.png", full_page=True)


@pytest.mark.parametrize("width", [360, 1280], ids=["phone", "desk"])
def test_a_release_is_made_read_and_withdrawn(browser: Browser, served: str, lead: Account, width: int) -> None:
    page = page_of(browser, served, lead, width=width)
    complaints = listen(page, served)
    page.goto("/desk/releases/")
    page.get_by_role("link", name="Make a release").click()
    assert_accessible(page)
    picture(page, "release_make")
    page.get_by_label("Why is it made?").fill("The spring is reviewed.")
    page.get_by_role("button", name="Make the release").click()
    assert_accessible(page)
    picture(page, "release_progress")
    # The script looks again each second; when the worker is done, the page says so by itself.
    expect(page.get_by_role("heading", name="The release is made")).to_be_visible(timeout=PATIENCE_MS)
    assert_accessible(page)
    page.get_by_role("link", name="See the release").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Release 1.0.0")
    assert_accessible(page)
    picture(page, "release_made")
    page.goto("/desk/releases/")
    page.get_by_role("link", name="Withdraw 1.0.0").click()
    assert_accessible(page)
    picture(page, "release_withdraw")
    page.get_by_label("Why is it withdrawn?").fill("A square stood for four gardens.")
    page.get_by_role("button", name="Withdraw release 1.0.0").click()
    assert_accessible(page)
    picture(page, "release_desk")
    page.get_by_role("link", name="1.0.0", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("is withdrawn")
    assert_accessible(page)
    assert Release.objects.get().withdrawn_because == "A square stood for four gardens."
    assert complaints == []


def test_without_scripts_the_page_looks_again_by_itself(browser: Browser, crew: Crew, lead: Account) -> None:
    """No worker runs here: the test is the worker, once the page has been seen waiting."""
    address = f"127.0.0.1:{free_port()}"
    crew.start_web(address, processes=1)
    page = page_of(browser, f"http://{address}", lead, scripts=False)
    page.goto("/desk/releases/new/")
    page.get_by_label("Why is it made?").fill("The spring is reviewed.")
    page.get_by_role("button", name="Make the release").click()
    expect(page.get_by_text("It waits for its turn.")).to_be_visible()
    (job,) = Job.objects.filter(kind=JobKind.RELEASE, state=JobState.QUEUED)
    assert make_release(job_id=job.pk) is not None
    expect(page.get_by_role("heading", name="The release is made")).to_be_visible(timeout=30_000)
    page.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_are_readable_by_day_and_by_lantern(
    browser: Browser, served: str, lead: Account, scheme: Literal["light", "dark"]
) -> None:
    """Outside judge: axe-core's rules of contrast, on light paper and on dark."""
    make_release_now(Season.objects.get(), by=lead)
    context = browser.new_context(viewport={"width": 1280, "height": 800}, base_url=served, color_scheme=scheme)
    page = context.new_page()
    for path in ("/releases/1.0.0/", "/data/", "/releases/"):
        page.goto(path)
        found = Axe().run(page).response["violations"]
        assert [one["id"] for one in found] == [], path
        picture(page, f"{scheme}{path.replace('/', '_')}")
    context.close()
