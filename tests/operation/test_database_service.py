"""The database service of docker-compose.yml, its settings and its file of who may connect, on a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
import yaml

from project.operation.tools import Failed, give_to_server, run
from tests.journeys.conftest import free_port
from tests.operation.cluster import ROOT, Cluster

COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())


@pytest.fixture(scope="module")
def served() -> Iterator[tuple[str, Cluster]]:
    """A server as the service runs it, and the port on which it listens."""
    cluster, port = Cluster(), free_port()
    try:
        with psycopg.connect(cluster.address("postgres"), autocommit=True) as line:
            line.execute("ALTER ROLE postgres PASSWORD 'a long word'")
            line.execute("CREATE ROLE guest LOGIN REPLICATION PASSWORD 'a long word'")
        hba = cluster.folder / "pg_hba.conf"
        hba.write_text(COMPOSE["configs"]["who_may_connect"]["content"] + "\n")
        give_to_server(hba)
        run(["pg_ctl", "stop", "--wait", "--mode", "fast", "-D", cluster.data])
        cluster.start(f"-c hba_file={hba} -c port={port} -c listen_addresses=127.0.0.1")
        yield f"host=127.0.0.1 port={port} dbname=trapnight", cluster
    finally:
        cluster.remove()


def test_the_archive_signs_in_by_password_and_gets_its_slot(served: tuple[str, Cluster]) -> None:
    words = ["pg_receivewal", "--dbname", f"{served[0]} user=postgres", "--slot", "a", "--create-slot"]
    run(words, environment={"PGPASSWORD": "a long word"})
    with psycopg.connect(f"{served[0]} user=postgres password='a long word'") as line:
        row = line.execute("SELECT slot_type FROM pg_replication_slots").fetchone()
    assert row == ("physical",)


@pytest.mark.parametrize(("user", "word"), [("postgres", "another word"), ("guest", "a long word")])
def test_nobody_else_may_fetch_the_log(served: tuple[str, Cluster], user: str, word: str) -> None:
    words = ["pg_receivewal", "--dbname", f"{served[0]} user={user}", "--slot", "b", "--create-slot", "--no-loop"]
    with pytest.raises(Failed, match=r"authentication failed|no pg_hba.conf entry"):
        run(words, environment={"PGPASSWORD": word})


def test_its_settings_hold_and_keep_what_was_answered(served: tuple[str, Cluster]) -> None:
    """PostgreSQL 18 manual: chapters "Reliability" and "Continuous Archiving"."""
    with psycopg.connect(f"{served[0]} user=postgres password='a long word'") as line:
        rows = line.execute("SELECT name, setting FROM pg_settings").fetchall()
    found = dict(rows)
    assert found["wal_level"] == "replica"
    assert int(found["max_wal_senders"]) >= 3
    assert found["max_slot_wal_keep_size"] == str(16 * 1024), "in MB: an archive that is away may not fill the disk"
    assert (found["fsync"], found["full_page_writes"], found["synchronous_commit"]) == ("on", "on", "on")
