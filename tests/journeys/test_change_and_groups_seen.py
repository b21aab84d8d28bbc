"""A season's change and groups seen in a real Chromium, on a phone and at a desk."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page

from tests.factories import make_season
from tests.journeys.browsing import assert_accessible
from tests.several_seasons import catch_of, make_gardens, run_once, send_year

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def make_world() -> None:
    """Eastmark has fourteen gardens that doubled, Westmark six that came back and six new ones. Invented."""
    make_season(year=2025)
    season = make_season()
    rng = np.random.default_rng(11)
    east, west, fresh = make_gardens(14), make_gardens(6, region="westmark"), make_gardens(6, region="westmark")
    mean = rng.gamma(2.0, 2.0, size=26)

    def caught(times: float, first: int):  # type: ignore[no-untyped-def]
        return lambda n: catch_of(
            woodlice=int(rng.poisson(times * mean[first + n])), spiders=int(rng.poisson(2)),
            millipedes=int(rng.poisson(0.05)), ground_beetles=int(rng.poisson(0.1)), springtails=int(rng.poisson(6)),
        )  # fmt: skip

    for year, times in ((2025, 1.0), (2026, 2.0)):
        send_year(east, year, caught(times, 0), temp_max_c=15 + 2 * times)
        send_year(west, year, caught(1.0, 14))
    send_year(fresh, 2026, caught(1.0, 20))
    run_once(season)


def test_both_sections_read_well_and_fit_the_window(page: Page) -> None:
    """Outside judge: axe-core finds nothing, and the page is no wider than its window."""
    make_world()
    page.goto("/seasons/test-2026/?group=woodlice&window=spring")
    assert page.locator("#change").inner_text().startswith("Change since Test count 2025")
    change = page.locator("section[aria-labelledby=change] tbody tr")
    assert "times (" in change.nth(0).inner_text()
    assert "4 more would have to come back" in change.nth(1).inner_text()
    seen = page.locator("section[aria-labelledby=groups-seen] tbody tr")
    assert seen.count() == 2
    assert "likely" in seen.nth(0).inner_text()
    assert_accessible(page)
    if folder := os.environ.get("TRAPNIGHT_PICTURES"):
        width = (page.viewport_size or {})["width"]
        page.screenshot(path=Path(folder) / f"change_and_groups_seen_{width}.png", full_page=True)
