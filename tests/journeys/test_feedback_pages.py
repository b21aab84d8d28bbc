"""A night told back, changed, asked about and printed, in a real Chromium on a phone and at a desk."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import pytest
from playwright.sync_api import Page

from surveys.models import Return
from surveys.services.news import write_news
from surveys.services.questions import ask_household
from surveys.vocabulary import HouseholdKind
from surveys.web.wall import MOST_COLUMNS, MOST_ROWS
from tests import factories
from tests.factories import (
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    send_return,
)
from tests.journeys.browsing import assert_accessible, sign_in, sign_in_at_the_desk
from tests.surveys.web.others import make_others

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


#: Sends a return through the API and has it screened.
send = partial(send_return, screened=True)


def catch(place: int) -> list[dict[str, Any]]:
    """Return the catch of one of many traps: no two are the same, or they would wait as copies of each other."""
    return [
        {"group": "woodlice", "answer": "class", "class": "c16to31"},
        {"group": "spiders", "answer": "number", "count": 1 + place % 4},
        {"group": "ground_beetles", "answer": "number", "count": 1 + place % 3},
        {"group": "springtails", "answer": "number", "count": 5 + place},
        {"group": "millipedes", "answer": "none_seen"},
        {"group": "centipedes", "answer": "could_not_tell"},
    ]


def school_night() -> list[Return]:
    """Twelve traps of a school in three habitats, and two more nights."""
    household = make_household(kind=HouseholdKind.SCHOOL)
    site = make_site(household=household)
    traps = [make_trap(site=site, habitat=("short_lawn", "hedge_base", "other")[n % 3]) for n in range(12)]
    for place, day in enumerate((9, 16)):
        for trap in traps[:3]:
            night = {"set_at": f"2026-05-{day:02}T17:00:00+00:00", "emptied_at": f"2026-05-{day + 1:02}T17:00:00+00:00"}
            send(trap, catch=catch(20 + 10 * place + trap.number), **night)
    return [send(trap, catch=catch(place), mouth_mm=70) for place, trap in enumerate(traps)]


def test_a_night_is_told_back_with_its_charts(page: Page) -> None:
    make_season()
    report = school_night()[0]
    counts = [
        {"woodlice": n % 20, "spiders": 9, "ground_beetles": 1, "springtails": 0, "millipedes": n % 3}
        for n in range(60)
    ]
    make_others(report, counts, gardens=30)
    sign_in(page, report.trap.site.household.keeper.email)
    assert_accessible(page)
    page.goto(f"/my/returns/{report.uuid}/")
    assert_accessible(page)
    # What a screen reader is told of the chart is the same as what stands beside it.
    reading = page.locator("section[aria-labelledby=beside] .reading").inner_text()
    chart = page.get_by_role("img", name="Where your catch lies among other traps")
    assert reading in chart.locator("desc").text_content()
    assert "You caught more than most other traps of these: Woodlice, Springtails." in reading
    page.get_by_role("link", name="See your places side by side").click()
    assert_accessible(page)
    page.get_by_role("link", name="Spiders").first.click()
    assert_accessible(page)
    assert page.locator("svg.chart .ring").count() >= 12


def test_the_sheet_for_the_wall_prints_on_one_page_however_many_kinds(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The longest list of groups that is shipped, every one of them caught, and as many columns as there can be."""
    shipped = json.loads((factories.ROOT / "fixtures" / "reference" / "groups.json").read_text(encoding="utf-8"))
    monkeypatch.setattr(factories, "GROUPS", [(one["code"], one["name"], 1.0, 900.0, 1000) for one in shipped])
    make_season()
    site = make_site(household=make_household(kind=HouseholdKind.SCHOOL))
    reports = [
        send(
            make_trap(site=site, habitat=("short_lawn", "hedge_base", "other")[place % 3]),
            catch=[
                {"group": one["code"], "answer": "number", "count": 1 + place + position}
                for position, one in enumerate(shipped)
            ],
        )
        for place in range(MOST_COLUMNS)
    ]
    sign_in(page, site.household.keeper.email)
    page.goto(f"/my/returns/{reports[0].uuid}/wall/")
    assert_accessible(page)
    page.get_by_role("link", name="Put our public name on it").click()
    assert_accessible(page)
    words = page.inner_text("article.wall")
    assert site.household.alias in words
    assert site.region.name not in words
    assert page.locator(".wall-table tbody tr").count() == MOST_ROWS
    assert page.locator(".wall-table thead th").count() == MOST_COLUMNS + 1
    assert pages_of(page.pdf(prefer_css_page_size=True)) == 1


def pages_of(pdf: bytes) -> int:
    """Count the pages of a PDF: each is an object of its own. Reference: ISO 32000-1, 7.7.3.3."""
    return pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") + pdf.count(b"/Type /Page/")


def test_a_question_is_asked_and_answered_and_a_return_changed(page: Page) -> None:
    make_season()
    report = send(make_trap(), liquid="soap")
    coordinator = make_coordinator()
    sign_in_at_the_desk(page, coordinator)
    page.goto(f"/queue/{report.uuid}/")
    page.get_by_text("Ask the household").click()
    assert_accessible(page)
    page.get_by_role("button", name="Send the question").click()
    assert page.title().startswith("Error: ")
    assert_accessible(page)
    page.select_option("#starter", "cup")
    page.fill("#question", "What was it?")
    page.get_by_role("button", name="Send the question").click()
    page.get_by_text("No answer yet.").wait_for()
    assert_accessible(page)
    page.get_by_role("button", name="Sign out").click()
    page.get_by_text("You are signed out.").wait_for()

    sign_in(page, report.trap.site.household.keeper.email)
    page.get_by_role("link", name="Answer the question about").click()
    assert_accessible(page)
    page.get_by_role("button", name="Send my answer").click()
    assert page.title().startswith("Error: ")
    assert_accessible(page)
    page.get_by_label("Your answer").fill("A drop of soap.")
    page.get_by_role("button", name="Send my answer").click()
    page.get_by_text("A drop of soap.").wait_for()
    page.get_by_role("link", name="Change this return").click()
    assert_accessible(page)
    page.check("input[name=liquid][value=nothing]")
    page.get_by_role("button", name="Send the change").click()
    page.get_by_text("This one took the place of a return that you sent before.").wait_for()
    assert_accessible(page)
    page.get_by_role("link", name="Open the one before").click()
    page.get_by_text("A newer return took the place of this one.").wait_for()
    assert_accessible(page)


def test_news_is_written_and_read(page: Page) -> None:
    make_season()
    report = send(make_trap())
    coordinator = make_coordinator()
    write_news(by=coordinator, region=None, title="The count is open", text="Set a trap.\n\nMind the rain.")
    ask = send(make_trap(), liquid="soap")
    ask_household(by=coordinator, uuid=ask.uuid, text="Was it one trap?")
    page.goto("/news/?region=eastmark")
    page.get_by_text("The count is open").wait_for()
    assert_accessible(page)
    sign_in_at_the_desk(page, coordinator)
    page.goto("/queue/")
    assert_accessible(page)
    page.goto("/news/write/")
    assert_accessible(page)
    page.get_by_role("button", name="Put it up").click()
    assert page.title().startswith("Error: ")
    assert_accessible(page)
    page.fill("#title", "A warm week")
    page.fill("#text", "Look at dusk.")
    page.get_by_role("button", name="Put it up").click()
    page.get_by_role("heading", name="A warm week").wait_for()
    page.get_by_role("button", name="Take it down").first.click()
    page.get_by_text("The news is taken down.").wait_for()
    assert report.trap.site.region.code == "eastmark"
