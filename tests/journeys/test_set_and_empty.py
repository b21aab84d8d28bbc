"""A trap is set and emptied in a real Chromium: by touch, by keyboard alone, and without JavaScript.

Prints pages, presses and seconds for setting and for counting. The seconds are those of the browser and the
server; a press by a person is counted as two seconds on top (own choice), a typed box as four.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page

from surveys.models import Draft, Opening, Protocol, Return, Trap
from surveys.services.seasons import install_reference, install_season
from surveys.vocabulary import DraftKind
from tests.factories import ROOT, make_household, make_site, make_trap, square
from tests.journeys.browsing import assert_accessible, sign_in, visit
from tests.surveys.web.asking_pages import begin, moment, open_trap

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

#: The brief: under two minutes to set a trap, under five to count.
SET_S, COUNT_S = 120, 300
PRESS_S, TYPE_S = 2.0, 4.0
#: What is counted: one row by plus, one typed, one by its range; the rest at one press.
WOODLICE, SPIDERS = 4, 2


@dataclass
class Tally:
    """How many pages were shown, how often something was pressed or typed, and for how long."""

    pages: int = 0
    presses: int = 0
    typed: int = 0
    began: float = field(default_factory=time.monotonic)

    def told(self, what: str, limit: float) -> None:
        """Print the numbers, and hold them against the limit."""
        machine = time.monotonic() - self.began
        person = machine + self.presses * PRESS_S + self.typed * TYPE_S
        print(
            f"\n{what}: {self.pages} pages, {self.presses} presses, {self.typed} boxes typed, "
            f"{machine:.1f} s in browser and server, about {person:.0f} s for a person (limit {limit:.0f} s)"
        )
        assert person < limit


class Visitor:
    """Somebody at a page: presses by touch or by keyboard, counts, and looks at each page."""

    def __init__(self, page: Page, *, keyboard: bool, scripts: bool, name: str) -> None:
        self.page, self.keyboard, self.scripts, self.name = page, keyboard, scripts, name
        self.tally = Tally()
        self.seen: set[str] = set()

    def press(self, selector: str) -> None:
        """Press what the selector finds first, as this visitor presses."""
        target = self.page.locator(selector).first
        if self.keyboard:
            reach(self.page, selector)
            self.page.keyboard.press("Enter" if target.evaluate("one => one.type !== 'radio'") else "Space")
        else:
            target.click()
        self.tally.presses += 1

    def write(self, selector: str, text: str) -> None:
        """Type into a box."""
        if self.keyboard:
            reach(self.page, selector)
            self.page.keyboard.press("Control+A")
            self.page.keyboard.type(text)
        else:
            self.page.fill(selector, text)
        self.tally.typed += 1

    def on(self, heading: str) -> None:
        """Be on the page with this heading, and look at it once."""
        self.page.locator("h1", has_text=heading).wait_for()
        self.tally.pages += 1
        before = time.monotonic()
        if heading not in self.seen:
            self.seen.add(heading)
            look_at(self.page, f"{self.name}-{len(self.seen):02d}", scripts=self.scripts)
        self.tally.began += time.monotonic() - before  # the looking is ours, not the family's


def look_at(page: Page, name: str, *, scripts: bool) -> None:
    """Outside judge: axe-core finds nothing, the page is no wider than its window, and targets are big enough."""
    if scripts:  # axe is itself a script
        assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), page.url
    small = page.evaluate(
        "[...document.querySelectorAll('main button, main summary, main select, main input:not([type=hidden])"
        ":not([type=radio])')].filter(one => one.checkVisibility() && !one.closest('.hidden-words') && "
        "!one.classList.contains('hidden-words') && one.getBoundingClientRect().height < 43.5)"
        ".map(one => one.outerHTML.slice(0, 90))"
    )
    assert small == [], page.url  # 44 px, but for a fraction that the screen rounds
    if folder := os.environ.get("TRAPNIGHT_PICTURES"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


def reach(page: Page, selector: str) -> None:
    """Press Tab until the element has the focus."""
    target = page.locator(selector).first
    for _ in range(400):
        page.keyboard.press("Tab")
        if target.evaluate("one => one === document.activeElement"):
            return
    raise AssertionError(f"{selector} cannot be reached with the Tab key")


def make_whole_season() -> None:
    """Open a season of this year that asks for every group of the reference list."""
    year = timezone.now().year
    groups = json.loads((ROOT / "fixtures/reference/groups.json").read_text())
    habitats = json.loads((ROOT / "fixtures/reference/habitats.json").read_text())
    protocol = json.loads((ROOT / "fixtures/reference/protocol-1.json").read_text())
    if not Protocol.objects.exists():
        install_reference(by=None, groups=groups, habitats=habitats, protocol=protocol)
    plan = {
        "code": f"whole-{year}", "title": f"Whole count {year}", "organiser": "Test office",
        "contact": "office@test.example", "protocol": "1", "opens_on": f"{year}-01-01",
        "closes_on": f"{year}-12-31", "time_zone": "Atlantic/Reykjavik", "licence": "CC-BY-4.0",
        "review_budget": 0.05, "groups": [row["code"] for row in groups],
        "habitats": [{"code": row["code"], "weight": 1 / len(habitats)} for row in habitats],
        "windows": [
            {"code": "year", "name": "Year", "first_day": f"{year}-01-01", "last_day": f"{year}-12-31"}
        ],
    }  # fmt: skip
    region = {"type": "Feature", "properties": {"code": "eastmark", "name": "Eastmark"}, "geometry": square(-18, 51)}
    install_season(by=None, plan=plan, boundaries={"type": "FeatureCollection", "features": [region]})


@pytest.fixture
def trap(transactional_db: None) -> Trap:
    make_whole_season()
    return make_trap(site=make_site(household=make_household()), habitat="hedge_base")


@pytest.fixture(
    params=[(360, "touch", True), (1280, "mouse", True), (1280, "keyboard", True), (360, "no script", False)],
    ids=["phone", "desk", "keyboard", "no-script"],
)
def visitor(request: pytest.FixtureRequest, browser: Browser, served: str, trap: Trap) -> Iterator[Visitor]:
    """Somebody signed in, whose browser notes policy violations, script errors and requests to other origins."""
    width, by, scripts = request.param
    with visit(browser, served, width, java_script_enabled=scripts) as page:
        page.set_default_timeout(20_000)
        sign_in(page, trap.site.household.keeper.email)
        yield Visitor(page, keyboard=by == "keyboard", scripts=scripts, name=str(by).replace(" ", "-"))


def test_a_family_sets_a_trap_and_empties_it(visitor: Visitor, trap: Trap) -> None:
    """The whole job: set, look, empty, count, send; and Back after sending makes no second return."""
    page = visitor.page
    page.goto("/my/traps/set/")
    visitor.tally = Tally()
    set_it(visitor)
    visitor.tally.told(f"{visitor.name}, setting a trap", SET_S)
    opening = Opening.objects.get()
    assert opening.answers["mouth_mm"] == 75.0

    Opening.objects.update(set_at=timezone.now() - timedelta(hours=24))  # a day goes by
    page.goto("/my/traps/empty/")
    visitor.tally = Tally()
    empty_it(visitor)
    count_it(visitor)
    send_it(visitor)
    visitor.tally.told(f"{visitor.name}, emptying and counting", COUNT_S)
    page.go_back()
    page.wait_for_url("**/my/returns/*-*/")  # what was sent leads on to what it became

    report = Return.objects.get()
    answers = {one.group.code: (one.answer, one.low) for one in report.catches.select_related("group")}
    assert answers.pop("woodlice") == ("number", WOODLICE)
    assert answers.pop("spiders") == ("number", SPIDERS)
    assert set(answers.values()) == {("none_seen", 0)}
    assert len(answers) == 29  # of the 31 groups on the list
    opening.refresh_from_db()
    assert (opening.report_id, opening.ending) == (report.pk, "emptied")
    assert report.mouth_mm == 75.0


def answer_each(visitor: Visitor, *asked: tuple[str, str, str]) -> None:
    """Answer questions that have answers to press: heading, name, value."""
    for heading, name, value in asked:
        visitor.on(heading)
        visitor.press(f"button[name={name}][value='{value}']")


def set_it(visitor: Visitor) -> None:
    """Answer the seven questions, look at the answers and send them."""
    visitor.on("When did you open the trap?")
    visitor.press("button[name=now]")
    visitor.on("How wide is the cup?")
    visitor.write("#mouth_mm", "75")
    visitor.press("main button:text-is('Continue')")
    answer_each(
        visitor,
        ("Where is the rim of the cup?", "rim", "flush"),
        ("Is there a rain cover?", "cover", "present"),
        ("Is there something to hide in?", "refuge", "moss_or_grass"),
        ("Is the cup dry?", "liquid", "nothing"),
        ("How long was the cup in the ground before you opened it?", "settled_h", "48"),
    )
    visitor.on("Check your answers")
    visitor.press("main form button[type=submit]")
    visitor.on("Your trap is set")


def empty_it(visitor: Visitor) -> None:
    """Answer the questions before the count."""
    visitor.on("When did you empty it?")
    visitor.press("button[name=now]")
    answer_each(
        visitor,
        ("Was there an animal with a backbone in it?", "vertebrate_seen", "no"),
        ("How did you find the trap?", "trap_state", "intact"),
        ("When did you look at it?", "looks", "dusk_and_dawn"),
        ("Did it rain?", "rain", "dry"),
    )


def count_it(visitor: Visitor) -> None:
    """Count by plus and minus, by typing, and "none of the rest"; take that back once."""
    page = visitor.page
    visitor.on("Count the animals")
    for press, then in (*(("plus", n) for n in range(1, WOODLICE + 2)), ("minus", WOODLICE)):
        visitor.press(f"button[value='{press}:woodlice']")
        if not visitor.scripts:
            page.locator(f"#n_woodlice[value='{then}']").wait_for()
        assert page.input_value("#n_woodlice") == str(then)
    visitor.write("#n_spiders", str(SPIDERS))
    # A range is for a crowd; without a script it waits in its fold.
    assert page.locator("#row-woodlice .crowd").is_visible() != visitor.scripts
    for press, other, rows in (("none_seen", "undo", "31"), ("undo", "none_seen", "2"), ("none_seen", "undo", "31")):
        visitor.press(f"button[name=rest][value={press}]")
        page.locator(f"button[name=rest][value={other}]").wait_for()
        assert f"{rows} of 31" in page.locator("[role=status]").first.inner_text()
    look_at(page, f"{visitor.name}-counted", scripts=visitor.scripts)
    visitor.press("button[name=go][value=on]")


def send_it(visitor: Visitor) -> None:
    """Answer the questions after the count, look at every answer, and send."""
    answer_each(
        visitor,
        ("When did you let the animals go?", "release", "within_the_hour"),
        ("How did you leave the hole?", "closing", "lidded"),
    )
    visitor.on("Is there something else to tell?")
    visitor.press("main button:text-is('Continue')")
    visitor.on("Check your answers")
    look_at(visitor.page, f"{visitor.name}-all-answers", scripts=visitor.scripts)
    visitor.press("main form button[type=submit]")
    visitor.page.wait_for_url("**/my/returns/*-*/")
    visitor.tally.pages += 1


def test_counts_are_kept_while_one_counts_and_a_range_shows_above_twenty(visitor: Visitor, trap: Trap) -> None:
    """A closed page loses nothing: what was pressed is with the server a moment later."""
    if not visitor.scripts:
        return_without_script(visitor, trap)
        return
    page = visitor.page
    page.goto(begin_count(trap))
    with page.expect_response(lambda answer: answer.request.method == "POST" and "/count/" in answer.url):
        page.fill("#n_springtails", "21")
        assert page.locator("#row-springtails .crowd").is_visible()
        page.select_option("#c_springtails", "c32to63")
        assert page.input_value("#n_springtails") == ""  # a range takes the number's place
        page.check("input[name=a_spiders][value=did_not_look]")
        page.click("button[value='plus:spiders']")
        assert not page.is_checked("input[name=a_spiders][value=did_not_look]")
    page.locator("[name=w_spiders][value='1||']").wait_for(state="attached")  # the page knows that it is kept
    page.reload()
    assert page.input_value("#c_springtails") == "c32to63"
    assert page.input_value("#n_spiders") == "1"
    assert "2 of 31" in page.locator("[role=status]").first.inner_text()
    # The second row of buttons: a slip of the finger is taken back by "Left blank".
    page.locator("#row-spiders .blank").click()
    assert page.input_value("#n_spiders") == ""
    page.locator("[role=status]", has_text="1 of 31").wait_for()
    page.click("text=How to tell >> nth=0")
    look_at(page, f"{visitor.name}-range", scripts=True)
    look_at_the_rest(visitor)


def look_at_the_rest(visitor: Visitor) -> None:
    """Look at the pages that a smooth night does not show: faults, a backbone, an overdue trap, an end without a count."""
    page, opening, draft = visitor.page, Opening.objects.get(), Draft.objects.get().uuid
    Opening.objects.update(set_at=timezone.now() - timedelta(hours=27))
    shown = {
        "overdue": f"/my/traps/open/{opening.uuid}/",
        "call-off": f"/my/traps/open/{opening.uuid}/call-off",
        "backbone": f"/my/traps/empty/{draft}/backbone/",
        "which": "/my/traps/empty/?another=1",
    }
    for name, path in shown.items():
        page.goto(path)
        look_at(page, f"{visitor.name}-{name}", scripts=True)
    page.goto(f"/my/traps/empty/{draft}/emptied/")
    page.fill("#emptied_day", "41")
    page.click("main button:text-is('Continue')")
    assert page.title().startswith("Error: ")
    look_at(page, f"{visitor.name}-error", scripts=True)
    page.goto(f"/my/traps/empty/{draft}/check/")
    page.click("main form button[type=submit]")
    page.locator(".summary").wait_for()
    look_at(page, f"{visitor.name}-check-error", scripts=True)
    page.goto(f"/my/traps/open/{opening.uuid}/call-off")
    page.click("button[value=lost]")
    page.locator("h1", has_text="This trap is closed").wait_for()
    look_at(page, f"{visitor.name}-lost", scripts=True)


def return_without_script(visitor: Visitor, trap: Trap) -> None:
    """Without a script the same answers are one press of Continue away, and the Enter key keeps them."""
    page = visitor.page
    page.goto(begin_count(trap))
    page.fill("#n_spiders", "3")
    page.press("#n_spiders", "Enter")
    page.locator("#n_spiders[value='3']").wait_for()
    page.reload()
    assert page.input_value("#n_spiders") == "3"


def begin_count(trap: Trap) -> str:
    """Set a trap a day ago and begin to empty it; return the address of the tally."""
    opening = open_trap(trap)
    given = {"opening": str(opening.uuid), **moment("emptied", timezone.now()), "trap_state": "intact"}
    return begin(trap, DraftKind.EMPTY, given).replace("/empty/", "/count/").replace("check/", "")
