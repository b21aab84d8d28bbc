"""What every test may lean on."""

from __future__ import annotations

import os
import shutil

import pytest
from django.core.cache import cache

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave browser journeys out where there is no browser, and benchmarks unless they are asked for."""
    asked = "benchmark" in (config.getoption("-m") or "")
    left_out = []
    for item in items:
        no_browser = item.get_closest_marker("browser") and not BROWSER and not os.environ.get("TRAPNIGHT_BROWSER")
        if no_browser or (item.get_closest_marker("benchmark") and not asked):
            left_out.append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    config.stash[_LEFT_OUT] = sum(1 for item in left_out if item.get_closest_marker("browser"))


_LEFT_OUT = pytest.StashKey[int]()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say in a line what was left out, and why."""
    number = config.stash.get(_LEFT_OUT, 0)
    if number:
        terminalreporter.write_line(f"Left out: {number} journeys in a real browser, as no Chromium is installed here.")


@pytest.fixture(autouse=True)
def empty_cache() -> None:
    """Each test begins with counters at zero."""
    cache.clear()
