"""Real programs on the test database: a web server, a worker, nothing mocked."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from django.db import connection
from playwright.sync_api import Browser, Page, sync_playwright
from psycopg.conninfo import make_conninfo

from project.processes import Crew
from tests.conftest import BROWSER
from tests.journeys.browsing import visit

# Playwright keeps an event loop in the test's own thread; the tests ask the database between its steps.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def database_address(name: str | None = None) -> str:
    """Return the libpq address of the test database, or of another one beside it."""
    given = connection.settings_dict
    return make_conninfo(
        host=given["HOST"], port=given["PORT"] or None, user=given["USER"], password=given["PASSWORD"] or None,
        dbname=name or given["NAME"],
    )  # fmt: skip


def copy_database(name: str) -> str:
    """Copy the test database as it stands under a new name; return its address."""
    connection.close()
    with psycopg.connect(database_address("postgres"), autocommit=True) as server:
        server.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        # A template must be left alone while it is copied: whoever still holds it is sent away.
        server.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s",
            [connection.settings_dict["NAME"]],
        )
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE "{connection.settings_dict["NAME"]}"')
    return database_address(name)


def free_port() -> int:
    """Return a port that is free at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def environment(address: str, *, broker: int) -> dict[str, str]:
    """Return the environment of a program that works on the database at ``address``."""
    broker_address = os.environ["REDIS_URL"].rsplit("/", 1)[0] + f"/{broker}"
    return {
        "DATABASE_URL": address,
        "REDIS_URL": broker_address,
        "DJANGO_SETTINGS_MODULE": "project.settings.test",
        "JOB_LEASE_S": "2",
    }


@pytest.fixture
def crew(wiping_first: None, tmp_path: Path) -> Iterator[Crew]:
    """A crew on the test database, ended with the test."""
    with Crew(tmp_path / "logs", environment(database_address(), broker=7)) as found:
        yield found


@pytest.fixture(scope="session")
def standing(django_db_setup: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A web server with a worker behind it, on the test database, for all journeys that leave both in peace."""
    with Crew(tmp_path_factory.mktemp("logs"), environment(database_address(), broker=5)) as crew:
        address = f"127.0.0.1:{free_port()}"
        crew.start_web(address, processes=1)
        crew.start_worker()
        yield f"http://{address}"


@pytest.fixture
def served(wiping_first: None, standing: str) -> str:
    """The address of a running web server with a worker behind it; the tables are emptied after each test."""
    return standing


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One Chromium for all tests of a file."""
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=BROWSER, args=["--no-sandbox", "--disable-background-networking", "--disable-sync"]
        )
        yield found
        found.close()


@pytest.fixture
def browser(chromium: Browser) -> Iterator[Browser]:
    """A browser without a past: what a test opened is closed with it."""
    yield chromium
    for context in chromium.contexts:
        context.close()


@pytest.fixture(params=[360, 1280], ids=["phone", "desk"])
def page(request: pytest.FixtureRequest, browser: Browser, served: str) -> Iterator[Page]:
    """A page on a phone, then at a desk, that may complain of nothing."""
    with visit(browser, served, request.param) as found:
        yield found
