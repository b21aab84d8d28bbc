"""Threads of the web server share a few connections; an outage stays short, and a server that comes back is met anew."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from project import env
from project.processes import WEB
from tests.journeys.conftest import environment, free_port
from tests.operation.standby import Standby

MOST, THREADS = 3, 8


@pytest.fixture
def server(transactional_db: None) -> Iterator[Standby]:
    """A PostgreSQL of one's own with the tables of the test: a copy of the test's that goes its own way."""
    made = Standby()
    made.promote()
    yield made
    made.remove()


@pytest.fixture
def address(server: Standby, crew: Any) -> str:
    """A web server of one process with more threads than it has connections."""
    given = server.settings()
    database = make_conninfo(host=given["HOST"], port=given["PORT"], user=given["USER"], dbname=given["NAME"])
    port = free_port()
    more = environment(database, broker=6) | {"DATABASE_POOL": str(MOST)}
    crew.environment.update(more)
    words = (*WEB[:-3], str(THREADS), *WEB[-2:], "--workers", "1", "--bind", f"127.0.0.1:{port}")
    crew.start("web", words)
    found = f"http://127.0.0.1:{port}"
    wait_for(lambda: httpx.get(f"{found}/health/live", timeout=5).status_code == 200)
    return found


def wait_for(fine: Any, seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while True:
        try:
            if fine():
                return
        except httpx.TransportError:
            pass
        assert time.monotonic() < deadline
        time.sleep(0.1)


def ask_at_once(address: str, number: int) -> list[httpx.Response]:
    """Ask for a list of the database by many threads at once. Nothing may hang: an answer comes within the timeout."""
    with ThreadPoolExecutor(max_workers=2 * THREADS) as many:
        return list(many.map(lambda _: httpx.get(f"{address}/api/v1/seasons", timeout=30), range(number)))


def test_threads_share_connections_and_an_outage_is_told_and_over(address: str, server: Standby) -> None:
    counted: list[int] = []
    over = threading.Event()

    def count() -> None:
        words = make_conninfo(host=str(server.folder), user=server.user, dbname="postgres")
        with psycopg.connect(words, autocommit=True) as line:
            while not over.is_set():
                row = line.execute("SELECT count(*) FROM pg_stat_activity WHERE datname LIKE 'test%'").fetchone()
                counted.append(row[0])  # type: ignore[index]

    watching = threading.Thread(target=count)
    watching.start()
    answers = ask_at_once(address, 120)
    over.set()
    watching.join()
    assert {answer.status_code for answer in answers} == {200}
    assert 1 < max(counted) <= MOST

    server.stop()
    for answer in ask_at_once(address, 2 * THREADS):
        assert answer.status_code == 503
        assert int(answer.headers["Retry-After"]) > 0
        assert "cannot reach its database" in answer.json()["detail"]

    server.start()
    # The lines of before are dead; whoever takes one finds out, and gets another.
    assert {answer.status_code for answer in ask_at_once(address, 2 * THREADS)} == {200}


def test_the_time_limits_hold_on_every_connection_of_a_pool(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgresql://app@db.example/trapnight")
    found = env.database(options="-c statement_timeout=5s", pool=4)
    assert found["OPTIONS"]["options"] == "-c statement_timeout=5s"
    assert found["OPTIONS"]["pool"]["max_size"] == 4
    assert found["CONN_MAX_AGE"] == 0  # Django refuses a pool of connections that threads keep
    assert env.database()["CONN_MAX_AGE"] == 60
    assert "pool" not in env.database()["OPTIONS"]
