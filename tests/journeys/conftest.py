"""Real programs on the test database: a web server, a worker, nothing mocked."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from django.db import connection
from psycopg.conninfo import make_conninfo

from project.processes import Crew

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
def crew(transactional_db: None, tmp_path: Path) -> Iterator[Crew]:
    """A crew on the test database, ended with the test."""
    with Crew(tmp_path / "logs", environment(database_address(), broker=5)) as found:
        yield found


@pytest.fixture
def served(crew: Crew) -> str:
    """The address of a running web server with a worker behind it."""
    address = f"127.0.0.1:{free_port()}"
    crew.start_web(address, processes=1)
    crew.start_worker()
    return f"http://{address}"
