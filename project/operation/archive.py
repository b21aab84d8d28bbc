"""The archive of the write-ahead log: pg_receivewal fetches it as it is written, through a slot that skips nothing.

Layout of a backup folder: ``wal/`` (this archive), ``releases/<number>/``, and for each backup a folder named by its
moment with ``base/`` (pg_basebackup), ``proof.json`` and ``erasures.txt``. Source: PostgreSQL 18 manual,
"Continuous Archiving and Point-in-Time Recovery" and "pg_receivewal".
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any, NoReturn

import psycopg

from project.operation.tools import Failed, address, as_server, new_folder, program, run

#: The slot holds the log back until it was fetched, so that an archive that was away for a while has no gap.
SLOT = "trapnight_archive"
#: Seconds that a backup waits for the archive to have what its proof speaks of.
PATIENCE_S = 120.0


def archive_of(folder: Path) -> Path:
    """Return the folder of the archive, made where it is missing."""
    new_folder(folder)
    return new_folder(folder / "wal")


def receive_for_ever(folder: Path) -> NoReturn:
    """Become pg_receivewal, which fetches the log into the archive until it is ended."""
    archive, (words, secret) = archive_of(folder), address()
    make_slot()
    user = as_server()
    if user:
        os.setgroups([])
        os.setgid(user["group"])
        os.setuid(user["user"])
    os.environ.update(secret)
    os.chdir("/")
    os.execv(program("pg_receivewal"), ["pg_receivewal", *_words(archive, words), "--synchronous"])  # noqa: S606


def make_slot() -> None:
    """Make the slot of the archive unless it is there."""
    words, secret = address()
    run(["pg_receivewal", "--dbname", words, "--slot", SLOT, "--create-slot", "--if-not-exists"], environment=secret)


def archive_up_to(lsn: str, *, folder: Path, line: psycopg.Connection[Any], seconds: float = PATIENCE_S) -> bool:
    """Have everything up to a place in the log archived and whole. Returns whether somebody fetched it already.

    Where no pg_receivewal runs, one is run up to that place.
    """
    archive = archive_of(folder)
    line.execute("SELECT pg_switch_wal()")
    row = line.execute("SELECT pg_walfile_name(%s::pg_lsn)", [lsn]).fetchone()
    assert row is not None
    last, running = archive / row[0], _is_running(line)
    if not running:
        words, secret = address()
        row = line.execute("SELECT pg_current_wal_lsn()::text").fetchone()
        assert row is not None
        run(["pg_receivewal", *_words(archive, words), "--endpos", row[0], "--no-loop"], environment=secret)
    deadline = time.monotonic() + seconds
    while not last.exists():
        if time.monotonic() > deadline:
            raise Failed(
                f"The archive {archive} has no {last.name} after {seconds:.0f} seconds. "
                "Is the pg_receivewal that holds the slot writing to another folder? End it, or back up into that one."
            )
        time.sleep(0.1)
    return running


def _is_running(line: psycopg.Connection[Any]) -> bool:
    row = line.execute("SELECT active FROM pg_replication_slots WHERE slot_name = %s", [SLOT]).fetchone()
    return bool(row and row[0])


def _words(archive: Path, words: str) -> list[str]:
    return ["--dbname", words, "--slot", SLOT, "--directory", str(archive)]
