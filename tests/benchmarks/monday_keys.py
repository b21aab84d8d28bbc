"""A morning at the desk by keyboard alone, in Chromium: each record is decided by one number key, as the truth calls for."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter
from typing import Any
from uuid import UUID

#: Tab presses after which the button is held to be out of a keyboard's reach.
PATIENCE = 80
#: What the browser measured of the page it shows: when its answer was there, redirects among them, and when it worked.
_TIMING = """() => { const one = performance.getEntriesByType("navigation")[0];
    return [one.responseEnd, one.domContentLoadedEventEnd]; }"""


@dataclass
class Worked:
    """What came of the morning: seconds from key to key, and the browser's own two times of each page."""

    decided: list[UUID] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    answered: list[float] = field(default_factory=list)
    worked: list[float] = field(default_factory=list)
    keys: Counter[str] = field(default_factory=Counter)
    before: int = 0
    took: float = 0.0

    def lines(self) -> list[str]:
        """Return what is told of it."""
        n = len(self.decided)
        pressed = self.before + sum(self.keys.values())
        return [
            f"{n} records decided by keyboard in {self.took:.1f} s: {60 * n / self.took:.0f} verdicts a minute by the machine",
            f"  from key press to the next record ready: {_told(self.seconds)} s",
            f"  of that, server and transfer: {_told(self.answered)} s; until the page's script works: {_told(self.worked)} s",
            f"  keys: {dict(self.keys)}; {self.before} presses to reach the first record; {pressed / n:.2f} a record in all",
        ]


def _told(seconds: list[float]) -> str:
    return f"median {median(seconds):.3f}, p95 {quantiles(seconds, n=20)[-1]:.3f}"


def work_by_keyboard(address: str, logs: Path, lead: Any, keys: dict[UUID, str], records: int) -> Worked:
    """Serve the database at ``address``, and decide so many records of the queue without a pointer."""
    from playwright.sync_api import sync_playwright

    from project.processes import Crew
    from tests.conftest import BROWSER
    from tests.journeys.browsing import give_session, visit
    from tests.journeys.conftest import environment, free_port

    place = f"127.0.0.1:{free_port()}"
    with Crew(logs, environment(address, broker=6)) as crew, sync_playwright() as playwright:
        crew.start_web(place, processes=1)
        chromium = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        with visit(chromium, f"http://{place}", 1280) as page:
            give_session(page.context, f"http://{place}", lead)
            worked = _work(page, keys, records)
        chromium.close()
    return worked


def _work(page: Any, keys: dict[UUID, str], records: int) -> Worked:
    worked = Worked()
    page.goto("/queue/")
    while page.evaluate("document.activeElement.id") != "next":
        assert worked.before < PATIENCE, "The button is not reached by Tab."
        page.keyboard.press("Tab")
        worked.before += 1
    _press(page, "Enter")
    worked.before += 1
    began = perf_counter()
    while len(worked.decided) < records and "/queue/" in page.url and not page.url.endswith("/queue/"):
        number = UUID(page.url.rstrip("/").rsplit("/", 1)[-1])
        assert number not in worked.decided, "A record came back."
        worked.seconds.append(_press(page, keys[number]))
        worked.keys[keys[number]] += 1
        worked.decided.append(number)
        answered, working = page.evaluate(_TIMING)
        worked.answered.append(answered / 1000)
        worked.worked.append(working / 1000)
    worked.took = perf_counter() - began
    return worked


def _press(page: Any, key: str) -> float:
    """Press a key and wait until the page that follows can be worked; return the seconds that passed."""
    pressed = perf_counter()
    with page.expect_navigation(wait_until="domcontentloaded"):
        page.wait_for_selector("[data-keys=ready]", state="attached")
        page.keyboard.press(key)
    return perf_counter() - pressed
