"""What a run left out, said in a line at its end: whether one process ran the tests or several shared them."""

from __future__ import annotations

from typing import Any

import pytest

#: What may be left out, and the line that says so.
LINES = {
    "browser": "Left out: {} journeys in a real browser, as no Chromium is installed here.",
    "r": "Left out: {} tests with R, as no Rscript is installed here.",
    "citation": "Left out: {} checks of CITATION.cff by cffconvert, which could not be installed here (no package index).",
}
#: Every process looks through all tests for these, so each leaves out the same ones; the others add up.
SEEN_BY_ALL = {"browser", "r"}

_KEY = pytest.StashKey[dict[str, int]]()


def leave_out(config: pytest.Config, name: str, number: int = 1) -> None:
    """Remember that ``number`` tests more were left out for want of ``name``."""
    held = config.stash.setdefault(_KEY, {})
    held[name] = held.get(name, 0) + number


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Tell the process that shares out the tests, where there is one."""
    output: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["left_out"] = session.config.stash.get(_KEY, {})


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """Take over what one of the processes left out."""
    held = node.config.stash.setdefault(_KEY, {})
    for name, number in getattr(node, "workeroutput", {}).get("left_out", {}).items():
        held[name] = max(held.get(name, 0), number) if name in SEEN_BY_ALL else held.get(name, 0) + number


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say in a line what was left out, and why."""
    for name, number in config.stash.get(_KEY, {}).items():
        if number:
            terminalreporter.write_line(LINES[name].format(number))
