"""A streaming replica of the server of this test run, made as an operator makes one: pg_basebackup and standby.signal."""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg
from django.db import connection
from psycopg.conninfo import make_conninfo

from tests.faults.stack import Cluster


class Standby:
    """A replica in a new folder, reached through a socket in it, that follows the server of the tests."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="tn-"))
        self.folder.chmod(0o755)
        # Under the user of the server that it follows, whose socket no other one may reach.
        self.cluster = Cluster(self.folder)
        self.cluster.own(self.folder)
        given = connection.settings_dict
        self.user = given["USER"]
        words = make_conninfo(host=given["HOST"], port=given["PORT"] or None, user=self.user)
        # --write-recovery-conf leaves standby.signal and where the primary is.
        more = ("--checkpoint=fast", "--wal-method=stream", "--no-sync", "--write-recovery-conf")
        self.cluster.run("pg_basebackup", "--dbname", words, *more, "-D", str(self.cluster.data))
        with (self.cluster.data / "postgresql.auto.conf").open("a") as written:
            written.write(
                f"listen_addresses = ''\nunix_socket_directories = '{self.folder}'\nport = 5432\nfsync = off\n"
            )
        self.start()

    def start(self) -> None:
        """Start it and wait until it can be read."""
        self.cluster.start()

    def stop(self) -> None:
        """End it at once, as a host that goes away."""
        self.cluster.stop()

    def promote(self) -> None:
        """Make it a database of its own, as somebody does who gives the other one up."""
        self.cluster.run("pg_ctl", "promote", "--wait", "-D", str(self.cluster.data))

    def settings(self) -> dict[str, Any]:
        """Return Django's description of the test's database in the replica."""
        more = {**connection.settings_dict["OPTIONS"], "connect_timeout": 2}
        return {**connection.settings_dict, "HOST": str(self.folder), "PORT": "5432", "OPTIONS": more}

    def ask(self, sql: str) -> Any:
        """Return the first value of a query that the replica is asked."""
        with psycopg.connect(host=str(self.folder), user=self.user, dbname="postgres", autocommit=True) as line:
            row = line.execute(sql).fetchone()
        assert row is not None
        return row[0]

    def catch_up(self, seconds: float = 30) -> None:
        """Wait until it has repeated all that the server has written."""
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_current_wal_flush_lsn()::text")
            written = cursor.fetchone()[0]
        deadline = time.monotonic() + seconds
        while not self.ask(f"SELECT pg_last_wal_replay_lsn() >= '{written}'"):
            assert time.monotonic() < deadline, "the replica does not follow"
            time.sleep(0.02)

    def remove(self) -> None:
        """End it and take its files away."""
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)
