"""The page in the garden in a real Chromium: without a signal, with one that breaks off, and with none at all."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event as ThreadEvent
from threading import Thread
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from playwright.sync_api import Browser, BrowserContext, Page

from surveys.models import Account, Event, Opening, Return, Trap
from surveys.services.openings import SentOpening, set_trap
from tests.factories import PASSWORD, make_season, make_trap
from tests.journeys.browsing import assert_accessible, give_session

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

GARDEN = "/in-the-garden/"
NOT_SENT = "Saved on this phone, not sent yet."
ARRIVED = "Sent. It has arrived."


class Garden:
    """A browser with one person's session, and what it complained of."""

    def __init__(self, context: BrowserContext, address: str) -> None:
        self.context = context
        self.address = address
        self.complaints: list[str] = []
        self.taps = 0
        context.on("console", self._heard)
        context.on("weberror", lambda fault: self.complaints.append(str(fault.error)))
        context.on("request", self._asked)
        self.page = context.new_page()

    def _heard(self, message: Any) -> None:
        # A lost line, a refused form and an ended session are what these tests are about: Chromium writes them down.
        if message.type == "error" and "server responded" not in message.text and "net::ERR" not in message.text:
            self.complaints.append(message.text)

    def _asked(self, request: Any) -> None:
        if not request.url.startswith(self.address):
            self.complaints.append(request.url)

    def sign_in(self, account: Account) -> None:
        """Give the browser a session of an account, as signing in does."""
        give_session(self.context, self.address, account)

    def open(self, page: Page | None = None) -> Page:
        """Open the page and wait until it works without a signal."""
        page = page or self.page
        page.goto(GARDEN)
        wait_for(lambda: page.evaluate("navigator.serviceWorker.controller !== null"))
        wait_for(lambda: page.evaluate(_SHELL_IS_KEPT))
        page.wait_for_selector("#jobs:not([hidden])")
        return page

    def tap(self, words: str, page: Page | None = None) -> None:
        """Press the button that one sees with these words."""
        self.taps += 1
        (page or self.page).locator(f"#garden button:visible:has-text('{words}')").first.click()

    def plus(self, code: str, times: int, page: Page | None = None) -> None:
        """Press plus in a row."""
        for _ in range(times):
            self.taps += 1
            (page or self.page).click(f"[data-row={code}] [data-step='1']")

    def heading(self, page: Page | None = None) -> str:
        """Return the words of the question that stands on the page."""
        shown = (page or self.page).locator("#garden h1:visible")
        return shown.first.inner_text() if shown.count() else ""

    def at(self, heading: str) -> None:
        """Wait until the question with these words stands on the page."""
        wait_for(lambda: self.heading() == heading, says=lambda: f"{heading!r}, but {self.heading()!r}")

    def answer(self, question: str, words: str) -> None:
        """Press the answer of a question that has these words."""
        self.taps += 1
        self.page.locator(f"form:visible [data-question={question}] button.answer").filter(has_text=words).first.click()

    def kept(self) -> dict[str, Any]:
        """Return all that the browser keeps for this address."""
        return dict(self.page.evaluate(_KEPT))


#: Asked of the browser itself, from a page that keeps nothing.
_KEPT = """async () => {
  const stores = (await indexedDB.databases()).map((one) => one.name);
  const drafts = stores.includes("trapnight-in-the-garden") ? await new Promise((resolve, reject) => {
    const request = indexedDB.open("trapnight-in-the-garden");
    request.onerror = () => reject(request.error);
    request.onsuccess = () => {
      const all = request.result.transaction("drafts").objectStore("drafts").getAll();
      all.onsuccess = () => { request.result.close(); resolve(all.result); };
    };
  }) : [];
  return { stores, drafts, caches: await caches.keys() };
}"""


_FULL = "() => { IDBObjectStore.prototype.put = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
_SHELL_IS_KEPT = "caches.match(location.pathname).then(found => found !== undefined)"


@pytest.fixture(params=[360], ids=["phone"])
def garden(request: pytest.FixtureRequest, browser: Browser, served: str) -> Iterator[Garden]:
    """A phone that is allowed to complain of nothing."""
    context = browser.new_context(viewport={"width": request.param, "height": 800}, base_url=served)
    context.set_default_timeout(15_000)
    found = Garden(context, served)
    yield found
    context.close()
    assert found.complaints == []


@pytest.fixture
def trap() -> Trap:
    """The only trap of a household, in an open season."""
    make_season()
    return make_trap()


def keeper_of(trap: Trap) -> Account:
    return trap.site.household.keeper


def wait_for(found: Callable[[], Any], seconds: float = 15.0, says: Callable[[], str] = lambda: "") -> None:
    """Ask until it is so."""
    deadline = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < deadline, f"it never came to be: {says()}"
        time.sleep(0.1)


def set_yesterday(trap: Trap) -> Opening:
    """Set a trap as the service knows it: a day ago."""
    at = timezone.now() - timedelta(hours=24)
    fields = {"mouth_mm": 75.0, "rim": "flush", "cover": "present", "refuge": "moss_or_grass", "liquid": "nothing"}
    return set_trap(by=keeper_of(trap), sent=SentOpening(uuid4(), trap.public_id, at, fields))


def fill_setting(garden: Garden, *, hours_ago: float = 0) -> None:
    """Answer every question about setting a trap that is chosen, up to the page of all answers."""
    page = garden.page
    if hours_ago:
        type_moment(page, "set-set", hours_ago)
        garden.tap("Continue")
    else:
        garden.tap("Now:")
    page.fill("#set-mouth_mm", "75")
    garden.tap("Continue")
    garden.answer("rim", "level with the soil")
    garden.answer("cover", "a rain cover on sticks")
    garden.answer("refuge", "a small pinch of moss")
    garden.answer("liquid", "a dry cup")
    garden.answer("settled_h", "Two days")
    garden.at("Check your answers")


def type_moment(page: Page, prefix: str, hours_ago: float) -> None:
    """Write a moment into its four boxes."""
    at = timezone.now() - timedelta(hours=hours_ago)
    for part, text in (("day", at.day), ("month", f"{at:%B}"), ("year", at.year), ("time", f"{at:%H:%M}")):
        page.fill(f"#{prefix}_{part}", str(text))


def answer_before_counting(garden: Garden) -> None:
    """Answer the questions between the choice of the trap and the count."""
    garden.tap("Now:")
    garden.answer("vertebrate_seen", "no")
    garden.answer("trap_state", "just as it was set")
    garden.answer("looks", "at dusk and in")
    garden.answer("rain", "no rain")


def fill_emptying(garden: Garden, *, before_counting: Callable[[], None] = lambda: None) -> None:
    """Answer every question about emptying a trap whose setting is chosen, up to the page of all answers."""
    answer_before_counting(garden)
    garden.at("Count the animals")
    before_counting()
    garden.plus("woodlice", 3)
    garden.plus("spiders", 2)
    garden.tap("None of the rest")
    garden.tap("Continue")
    garden.answer("release", "within the hour")
    garden.answer("closing", "closed with a lid")
    garden.at("Is there something else to tell? (optional)")
    garden.tap("Continue")
    garden.at("Check your answers")


def answers_of(report: Return) -> dict[str, tuple[str, int | None]]:
    return {one.group.code: (one.answer, one.low) for one in report.catches.select_related("group")}


COUNTED = {
    "woodlice": ("number", 3), "spiders": ("number", 2), "millipedes": ("none_seen", 0), "centipedes": ("none_seen", 0),
    "ground_beetles": ("none_seen", 0), "springtails": ("none_seen", 0),
}  # fmt: skip


def test_a_count_goes_on_without_a_signal_through_a_reload_and_arrives_once(garden: Garden, trap: Trap) -> None:
    setting = set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    begun = time.monotonic()
    garden.tap("Empty and count a trap")
    garden.at("When did you empty it?")

    def lose_the_signal() -> None:
        garden.context.set_offline(True)
        page.evaluate("document.getElementById('saved').textContent = ''")
        garden.plus("woodlice", 1)
        wait_for(lambda: "Saved on this phone" in page.inner_text("#saved"))
        page.reload()
        # Served from this phone, at the same question, with what was counted.
        garden.at("Count the animals")
        assert page.input_value("#n_woodlice") == "1"
        page.click("[data-row=woodlice] [data-step='-1']")

    fill_emptying(garden, before_counting=lose_the_signal)
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    page.wait_for_selector("#whereabouts:has-text('There is no signal.')")
    assert Return.objects.count() == 0
    seconds = time.monotonic() - begun
    # A browser that was closed and opened again, still without a signal.
    page.close()
    garden.page = page = garden.context.new_page()
    page.goto(GARDEN)
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    garden.context.set_offline(False)
    page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    report = Return.objects.get()
    assert answers_of(report) == COUNTED
    setting.refresh_from_db()
    assert (setting.report_id, setting.ending) == (report.pk, "emptied")
    assert page.locator(f"a[href='/my/returns/{report.uuid}/']").count() == 1
    print(f"\ncount without a signal: {garden.taps} taps, {seconds:.1f} s by a machine")


class LosesAnswers(ThreadingHTTPServer):
    """A line between browser and service that loses answers when it is told to, and is then shut until it is opened."""

    daemon_threads = True

    def __init__(self, service: str) -> None:
        super().__init__(("127.0.0.1", 0), PassesOn)
        self.service = service.removeprefix("http://")
        self.to_lose = 0
        self.lost: list[int] = []
        self.is_open = ThreadEvent()
        self.is_open.set()
        Thread(target=self.serve_forever, daemon=True).start()


class PassesOn(BaseHTTPRequestHandler):
    """Pass one request on and its answer back, or lose the answer."""

    server: LosesAnswers

    def do_GET(self) -> None:
        line = HTTPConnection(self.server.service, timeout=20)
        if self.path.endswith("/send"):
            self.server.is_open.wait(timeout=15)
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        line.request(self.command, self.path, body, {**self.headers, "Connection": "close"})
        answer = line.getresponse()
        content = answer.read()
        self.close_connection = True
        if self.path.endswith("/send") and self.server.to_lose:
            self.server.to_lose -= 1
            self.server.is_open.clear()
            self.server.lost.append(answer.status)
            return
        self.send_response_only(answer.status)
        for name, value in answer.getheaders():
            if name.lower() not in ("connection", "transfer-encoding", "content-length"):
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(content)))
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(content)

    do_POST = do_GET  # noqa: N815  # the name that http.server asks for

    def log_message(self, *parts: Any) -> None:
        """Say nothing."""


def test_an_answer_that_is_lost_on_its_way_back_makes_no_second_return(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    line = LosesAnswers(garden.address)
    browser: Any = garden.context.browser
    address = f"http://127.0.0.1:{line.server_port}"
    behind = Garden(browser.new_context(base_url=address, viewport={"width": 360, "height": 800}), address)
    behind.sign_in(keeper_of(trap))
    page = behind.open()
    behind.tap("Empty and count a trap")
    fill_emptying(behind)
    line.to_lose = 1
    behind.tap("Send this")
    wait_for(lambda: line.lost == [200])
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    assert Return.objects.count() == 1
    # It may have arrived, so it cannot be changed any more: it is sent again as it was.
    assert page.locator(".garden-draft button:has-text('Change')").count() == 0
    # By itself, after a while, without a press.
    line.is_open.set()
    wait_for(lambda: ARRIVED in page.inner_text(".garden-draft"))
    assert Return.objects.count() == 1
    assert Event.objects.filter(verb="return received").count() == 1
    line.shutdown()
    assert behind.complaints == []


def test_two_tabs_send_a_draft_once(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    other = garden.open(garden.context.new_page())
    # A tab that nobody looks at draws nothing, and the browser's driver waits for it.
    page.bring_to_front()
    sent: list[str] = []
    garden.context.on("request", lambda r: sent.append(r.url) if r.url.endswith("/send") else None)
    garden.tap("Empty and count a trap")
    fill_emptying(garden)
    other.reload()
    # The other tab is at the same question of the same draft.
    other.wait_for_selector("#check:visible")
    garden.context.set_offline(True)
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    # The other tab hears of it, and cannot change what is on its way.
    other.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    sent.clear()
    garden.context.set_offline(False)
    for tab in (page, other):
        wait_for(lambda tab=tab: ARRIVED in tab.inner_text(".garden-draft"))
    assert Return.objects.count() == 1
    assert len(sent) == 1


def test_a_session_that_ended_keeps_the_draft_until_somebody_signs_in(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Empty and count a trap")
    fill_emptying(garden)
    Session.objects.all().delete()
    garden.tap("Send this")
    page.wait_for_selector("#whereabouts:has-text('You are not signed in now.')")
    assert NOT_SENT in page.inner_text(".garden-draft")
    assert Return.objects.count() == 0
    page.reload()
    page.wait_for_selector("#no-list a:has-text('Sign in')")
    assert NOT_SENT in page.inner_text(".garden-draft")
    page.click("#no-list a:has-text('Sign in')")
    page.fill("#email", keeper_of(trap).email)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**{GARDEN}")
    page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    assert answers_of(Return.objects.get()) == COUNTED


def test_somebody_else_who_signs_in_neither_sees_nor_sends_a_draft(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Empty and count a trap")
    fill_emptying(garden)
    garden.context.set_offline(True)
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    stranger = make_trap().site.household.keeper
    garden.sign_in(stranger)
    garden.context.set_offline(False)
    page.wait_for_selector("#whereabouts:has-text('from another account')")
    assert page.locator(".garden-draft").count() == 0
    assert Return.objects.count() == 0
    garden.sign_in(keeper_of(trap))
    page.reload()
    page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    assert Return.objects.get().sender == keeper_of(trap)


def test_what_the_service_cannot_read_is_said_at_its_question(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Empty and count a trap")

    def type_words() -> None:
        page.fill("#n_springtails", "lots")

    fill_emptying(garden, before_counting=type_words)
    garden.tap("Send this")
    page.wait_for_selector("#f_springtails:visible")
    garden.at("Count the animals")
    assert "as a count" in page.inner_text("#f_springtails")
    assert page.title().startswith("Error: ")
    assert page.evaluate("document.activeElement.id") == "summary"
    assert_accessible(page)
    assert Return.objects.count() == 0
    # Nothing else was lost, and what is mended goes back to the page of all answers.
    assert page.input_value("#n_woodlice") == "3"
    page.fill("#n_springtails", "12")
    garden.tap("Continue")
    garden.at("Check your answers")
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    assert answers_of(Return.objects.get()) == {**COUNTED, "springtails": ("number", 12)}


def test_a_trap_that_is_set_and_emptied_without_a_signal_arrives_in_order(garden: Garden, trap: Trap) -> None:
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.context.set_offline(True)
    garden.tap("Set a trap")
    fill_setting(garden, hours_ago=24)
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    # The trap is open on this phone: it cannot be set twice, and it is the one to empty.
    garden.tap("Empty and count a trap")
    garden.at("When did you empty it?")
    fill_emptying(garden)
    garden.tap("Send this")
    wait_for(lambda: page.locator(f".garden-draft:has-text('{NOT_SENT}')").count() == 2)
    garden.context.set_offline(False)
    wait_for(lambda: page.locator(f".garden-draft:has-text('{ARRIVED}')").count() == 2)
    setting, report = Opening.objects.get(), Return.objects.get()
    assert setting.report == report
    assert report.set_at == setting.set_at
    assert (report.rim, report.mouth_mm, report.settled_h) == ("flush", 75, 48)


def test_two_settings_that_wait_both_go_out(garden: Garden, trap: Trap) -> None:
    make_trap(site=trap.site, habitat="hedge_base")
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.context.set_offline(True)
    for number in (1, 2):
        garden.tap("Set a trap")
        garden.at("Which trap do you set?")
        garden.answer("trap", f"trap {number}")
        fill_setting(garden)
        garden.tap("Send this")
        wait_for(lambda number=number: page.locator(f".garden-draft:has-text('{NOT_SENT}')").count() == number)
    garden.context.set_offline(False)
    wait_for(lambda: page.locator(f".garden-draft:has-text('{ARRIVED}')").count() == 2)
    assert sorted(Opening.objects.values_list("trap__number", flat=True)) == [1, 2]


def test_signing_out_leaves_nothing_on_the_phone(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Empty and count a trap")
    fill_emptying(garden)
    garden.context.set_offline(True)
    garden.tap("Send this")
    page.wait_for_selector(f".garden-draft:has-text('{NOT_SENT}')")
    garden.tap("Empty and count a trap")
    wait_for(lambda: len(garden.kept()["drafts"]) == 2)
    other = garden.context.new_page()
    garden.context.set_offline(False)
    # What was finished is sent before the session ends.
    other.goto("/my/returns/")
    other.click("text=Sign out")
    # One draft is not finished: it would be gone.
    other.wait_for_selector("text=Not all is sent yet")
    assert_accessible(other)
    other.click("text=Stay here")
    assert len(garden.kept()["drafts"]) == 2
    other.click("text=Sign out")
    other.click("text=Sign out all the same")
    other.wait_for_load_state()
    wait_for(lambda: "Nothing is kept on this phone." in page.inner_text("#whereabouts"))
    assert garden.kept() == {"stores": [], "drafts": [], "caches": []}
    assert Return.objects.count() == 1
    # The page that is still open keeps nothing either, and neither does a new visit.
    page.goto(GARDEN)
    page.wait_for_selector("#no-list a:has-text('Sign in')")
    kept = garden.kept()
    assert (kept["drafts"], kept["caches"]) == ([], [])


def test_throwing_away_asks_first_and_several_drafts_stand_side_by_side(garden: Garden, trap: Trap) -> None:
    make_trap(site=trap.site, habitat="hedge_base")
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    for number in (1, 2):
        garden.tap("Set a trap")
        garden.answer("trap", f"trap {number}")
        garden.tap("Now:")
        garden.tap("Leave it for later")
        wait_for(lambda shown=number: page.locator(".garden-draft").count() == shown)
    page.locator(".garden-draft").first.locator("button:has-text('Throw away')").click()
    assert_accessible(page)
    garden.tap("Keep it")
    assert page.locator(".garden-draft").count() == 2
    page.locator(".garden-draft").first.locator("button:has-text('Throw away')").click()
    garden.tap("Throw it away")
    wait_for(lambda: page.locator(".garden-draft").count() == 1)
    page.locator(".garden-draft button:has-text('Go on')").click()
    garden.at("How wide is the cup?")
    page.go_back()
    wait_for(lambda: page.locator("#start:visible").count() == 1)


def test_a_count_is_made_by_keyboard_alone_and_every_question_is_accessible(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    for width in (360, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert_accessible(page)
    begun, keys = time.monotonic(), Keys(page)
    keys.press("button[data-begin=empty]")
    while garden.heading() != "Check your answers":
        for width in (360, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            assert_accessible(page)
        answer_by_keyboard(page, keys)
    assert_accessible(page)
    keys.press("#finish")
    page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    assert_accessible(page)
    assert answers_of(Return.objects.get())["woodlice"] == ("number", 2)
    print(f"\ncount by keyboard: {keys.pressed} keys, {time.monotonic() - begun:.0f} s with axe at every question")


class Keys:
    """Moves with the Tab key only."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.pressed = 0

    def reach(self, selector: str) -> None:
        """Press Tab until the element has the focus."""
        target = self.page.locator(selector).first
        for _ in range(200):
            if target.evaluate("element => element === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
            self.pressed += 1
        raise AssertionError(f"{selector} cannot be reached with the Tab key")

    def press(self, selector: str) -> None:
        """Reach a button and press it."""
        self.reach(selector)
        self.page.keyboard.press("Enter")
        self.pressed += 1


def answer_by_keyboard(page: Page, keys: Keys) -> None:
    """Give the first answer of whatever stands on the page, and go on."""
    question = page.locator(".question:visible")
    name, kind = question.get_attribute("data-question"), question.get_attribute("data-kind")
    if kind == "tally":
        for _ in range(2):
            keys.press("[data-row=woodlice] [data-step='1']")
        keys.press("[data-rest]")
    if kind == "moment":
        keys.press(f".question:visible [data-now={name}]")
    elif kind in ("choice", "trap"):
        keys.press(f"[data-question={name}] button.answer" + ("[value=no]" if name == "vertebrate_seen" else ""))
    else:
        keys.press("form:visible > .buttons button[type=submit]")
    wait_for(lambda: page.locator(f"[data-question={name}]:visible").count() == 0)


def test_an_animal_with_a_backbone_comes_before_the_count(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    garden.open()
    garden.tap("Empty and count a trap")
    garden.tap("Now:")
    garden.answer("vertebrate_seen", "yes")
    garden.at("Help this animal first")
    assert_accessible(garden.page)
    garden.page.go_back()
    garden.at("Was there an animal with a backbone in it?")
    garden.tap("Continue")
    garden.tap("I have done this")
    garden.at("How did you find the trap?")


def test_a_liquid_stops_the_way_until_the_cup_is_clean(garden: Garden, trap: Trap) -> None:
    garden.sign_in(keeper_of(trap))
    garden.open()
    garden.tap("Set a trap")
    fill_setting(garden)
    garden.page.click("#change-liquid")
    garden.answer("liquid", "antifreeze")
    garden.at("Do not leave this in the garden")
    assert garden.page.is_visible("#liquid-poison")
    assert garden.page.is_visible("#liquid-stop a[href='mailto:office@test.example']")
    assert_accessible(garden.page)
    garden.tap("My answer was a slip")
    garden.at("Is the cup dry?")
    garden.tap("Continue")
    garden.tap("The cup is clean and dry now")
    garden.at("Check your answers")
    assert garden.kept()["drafts"][0]["answers"]["liquid"] == "nothing"
    garden.page.click("#change-liquid")
    garden.answer("liquid", "washing-up")
    assert not garden.page.is_visible("#liquid-poison")
    garden.tap("I have taken the trap out")
    garden.page.wait_for_selector("#jobs:not([hidden])")
    assert garden.kept()["drafts"] == []


def test_a_double_tap_answers_one_question(garden: Garden, trap: Trap) -> None:
    set_yesterday(trap)
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Empty and count a trap")
    garden.tap("Now:")
    page.locator("[data-question=vertebrate_seen] button.answer[value=no]").dblclick()
    garden.at("How did you find the trap?")
    page.wait_for_timeout(300)
    garden.at("How did you find the trap?")
    assert [one["answers"].get("trap_state") for one in garden.kept()["drafts"]] == [None]


def test_another_page_without_a_signal_leads_to_this_one(garden: Garden, trap: Trap) -> None:
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.context.set_offline(True)
    page.goto("/my/sites/")
    page.wait_for_selector("#jobs:not([hidden])")
    assert page.url.endswith(GARDEN)
    # Nothing of a page about oneself was kept.
    kept = page.evaluate("""async () => {
      const [name] = await caches.keys();
      return (await (await caches.open(name)).keys()).map((one) => new URL(one.url).pathname);
    }""")
    assert [one for one in kept if not one.startswith("/static/")] == [GARDEN, "/manifest.webmanifest"]


def test_a_phone_that_cannot_save_says_so(garden: Garden, trap: Trap) -> None:
    garden.sign_in(keeper_of(trap))
    page = garden.open()
    garden.tap("Set a trap")
    garden.at("When did you open the trap?")
    page.evaluate(_FULL)
    page.fill("#set-set_time", "12:00")
    wait_for(lambda: "could not save" in page.inner_text("#saved"))


def test_without_a_script_or_a_store_the_page_leads_to_the_pages_that_need_a_signal(garden: Garden, trap: Trap) -> None:
    browser: Any = garden.context.browser
    bare = browser.new_context(base_url=garden.address, java_script_enabled=False)
    page = bare.new_page()
    page.goto(GARDEN)
    assert page.locator("#plain a:visible").evaluate_all("links => links.map(link => link.pathname)") == [
        "/my/traps/set/", "/my/traps/empty/",
    ]  # fmt: skip
    assert page.locator("#garden:visible").count() == 0
    garden.sign_in(keeper_of(trap))
    garden.page.add_init_script("delete Window.prototype.indexedDB; delete window.indexedDB;")
    garden.page.goto(GARDEN)
    garden.page.wait_for_timeout(500)
    assert garden.page.locator("#plain a:visible").count() == 2


def test_a_browser_without_a_service_worker_still_keeps_and_sends(garden: Garden, trap: Trap) -> None:
    browser: Any = garden.context.browser
    context = browser.new_context(
        base_url=garden.address, service_workers="block", viewport={"width": 360, "height": 800}
    )
    plain = Garden(context, garden.address)
    plain.sign_in(keeper_of(trap))
    plain.page.goto(GARDEN)
    plain.page.wait_for_selector("#jobs:not([hidden])")
    plain.tap("Set a trap")
    fill_setting(plain)
    plain.tap("Send this")
    plain.page.wait_for_selector(f".garden-draft:has-text('{ARRIVED}')")
    assert Opening.objects.count() == 1
