"""What every test may lean on."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection

from tests.left_out import leave_out

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
RSCRIPT = shutil.which("Rscript")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs a browser or R where there is none, and benchmarks unless they are asked for."""
    asked = "benchmark" in (config.getoption("-m") or "")
    no_browser = not BROWSER and not os.environ.get("TRAPNIGHT_BROWSER")
    no_r = not RSCRIPT and not os.environ.get("TRAPNIGHT_R")
    absent = {"browser": no_browser, "r": no_r, "benchmark": not asked}
    missing = {name for name, away in absent.items() if away}
    left_out = [item for item in items if any(item.get_closest_marker(name) for name in missing)]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    for name in ("browser", "r"):
        leave_out(config, name, sum(1 for item in left_out if item.get_closest_marker(name)))


@pytest.fixture(autouse=True)
def empty_cache() -> None:
    """Each test begins with counters at zero."""
    cache.clear()


@pytest.fixture(autouse=True)
def one_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    """The lists of a season are read once a minute: none ends in the middle of a test that counts queries."""
    begun = time.time()
    monkeypatch.setattr("surveys.queries.seasons.time_now", lambda: begun)


@pytest.fixture
def short_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines to the database end with each request: what a thread of a server kept open would outlive the test."""
    monkeypatch.setitem(connection.settings_dict, "CONN_MAX_AGE", 0)


@pytest.fixture
def wiping_first(transactional_db: None) -> Iterator[None]:
    """The tables are emptied after the test even while a program beside it still works on them.

    Of two that wait for each other PostgreSQL ends the one that looks first: that is never the emptying.
    """
    yield
    with connection.cursor() as cursor:
        cursor.execute("SET deadlock_timeout = '1min'")


@pytest.fixture
def running(short_lines: None, wiping_first: None, live_server: Any) -> str:
    """The address of a server that runs beside the test, for programs that read over HTTP."""
    return str(live_server.url)
