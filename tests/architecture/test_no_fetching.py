"""The service fetches no address: nothing in pages, API, services or workers can open a line to another machine.

OWASP API7:2023 and ASVS 5.0.0, 1.3.6 (server-side request forgery): what cannot fetch cannot be made to fetch. Database,
broker and mail are reached through their drivers, at addresses of the settings.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.factories import ROOT

#: Modules that open lines by an address. Mail is left out: it goes to the one server of the settings.
LINES = frozenset(
    {"httpx", "requests", "urllib3", "aiohttp", "socket", "ftplib", "telnetlib", "xmlrpc", "poplib", "imaplib",
     "http.client", "urllib.request", "fsspec", "pyarrow.fs", "asyncio"}
)  # fmt: skip
#: The demonstration and the one-command start, which ask their own web server on this machine.
OF_THIS_MACHINE = {"project/processes.py", "project/embedded.py"}


def imported(source: str) -> Iterator[str]:
    """Yield the full name of all that a module imports."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def opens_lines(source: str) -> set[str]:
    """Return which of those modules a source imports."""
    return {name for name in imported(source) if name in LINES or name.split(".", 1)[0] in LINES}


def modules() -> Iterator[Path]:
    for layer in ("project", "api", "surveys"):
        yield from (ROOT / layer).rglob("*.py")


def test_no_part_of_the_service_opens_a_line_to_an_address() -> None:
    found = {
        str(path.relative_to(ROOT)): names
        for path in modules()
        if (names := opens_lines(path.read_text(encoding="utf-8")))
    }
    served = {path: names for path, names in found.items() if path not in OF_THIS_MACHINE}
    assert not {path for path in served if not path.startswith(("project/demonstration/", "project/management/"))}, (
        served
    )


@pytest.mark.parametrize(
    "source",
    [
        "import httpx",
        "from urllib.request import urlopen",
        "from urllib import request",
        "import http.client",
        "def f():\n    import socket",
    ],
)
def test_the_search_finds_each_way_to_import(source: str) -> None:
    assert opens_lines(source)


def test_the_search_leaves_alone_what_opens_no_line() -> None:
    assert not opens_lines("from urllib.parse import urlsplit\nfrom http import HTTPStatus\nimport http")
