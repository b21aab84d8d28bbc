"""A backup: a base copy of the database, its log up to a proof, the releases, the ledger of erasures."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
from django.conf import settings

from project.operation.archive import archive_of, archive_up_to, make_slot
from project.operation.base_copy import verify_base_copy
from project.operation.proofs import PROOF, Proof, take_proof
from project.operation.tools import Failed, address, give_to_server, new_folder, run
from surveys.release_files.manifest import check_folder

#: A backup that is not finished has this ending, and is never restored from.
UNFINISHED = ".unfinished"
STAMP = "%Y%m%dT%H%M%SZ"
LEDGER = "erasures.txt"

Say = Callable[[str], Any]


def back_up(*, into: Path, now: datetime, say: Say) -> Path:
    """Take a backup and prove it; return its folder. Raises :class:`Failed`, and leaves what there was in peace."""
    name = now.astimezone(UTC).strftime(STAMP)
    place = into / name
    if place.exists():
        raise Failed(f"There is a backup {place} already. Wait a second, and begin again.")
    words, secret = address()
    with psycopg.connect(words, password=secret.get("PGPASSWORD"), autocommit=True) as line:
        _refuse_tablespaces(line)
    archive_of(into)
    making = new_folder(into / f"{name}{UNFINISHED}")
    # The slot first: from here on the log is kept until it was fetched.
    make_slot()
    run(
        [
            "pg_basebackup", "--dbname", words, "--pgdata", making / "base", "--checkpoint", "fast",
            "--wal-method", "stream", "--manifest-checksums", "SHA256",
        ],
        environment=secret,
    )  # fmt: skip
    judge = verify_base_copy(making / "base")
    say(f"base copy: {_size(making / 'base'):,} bytes, found whole by {judge}")
    with psycopg.connect(words, password=secret.get("PGPASSWORD"), autocommit=True) as line:
        proof = take_proof(line, name=f"trapnight-{name}")
        running = archive_up_to(proof.lsn, folder=into, line=line)
        _write_ledger(line, making)
    who = "pg_receivewal runs" if running else "no pg_receivewal runs, so it was fetched just now"
    say(f"log: archived up to {proof.lsn} ({who})")
    _copy_releases(into / "releases", proof, say)
    proof.write(making)
    give_to_server(making)
    making.rename(place)
    quiet = "nobody wrote meanwhile" if proof.quiet else "others wrote meanwhile"
    say(f"proof: {sum(proof.rows.values()):,} rows, event {proof.last_event}, taken at {proof.taken_at} ({quiet})")
    return place


def backups_in(folder: Path) -> list[tuple[str, Proof]]:
    """Return the finished backups of a folder with their proofs, the oldest first."""
    found = sorted(path.parent for path in folder.glob(f"*/{PROOF}") if not path.parent.name.endswith(UNFINISHED))
    return [(path.name, Proof.read(path)) for path in found]


def drop_old_backups(*, folder: Path, days: int, now: datetime, say: Say) -> None:
    """Drop backups older than ``days``, but for the newest, and the part of the log that no backup needs any more."""
    names = [name for name, _ in backups_in(folder)]
    before = (now.astimezone(UTC) - timedelta(days=days)).strftime(STAMP)
    old = [name for name in names[:-1] if name < before]
    for name in old:
        shutil.rmtree(folder / name)
    for path in folder.glob(f"*{UNFINISHED}"):
        if path.name < before:
            shutil.rmtree(path)
    if old:
        first = first_of_log(folder / names[len(old)] / "base")
        run(["pg_archivecleanup", folder / "wal", first])
        say(f"dropped: {len(old)} backups older than {days} days, and the log before {first}")


def first_of_log(base: Path) -> str:
    """Return the file of the log with which recovery from a base copy begins. Source: its backup_label."""
    line = (base / "backup_label").read_text().splitlines()[0]
    return line.split("(file ")[1].rstrip(")")


def _refuse_tablespaces(line: psycopg.Connection[Any]) -> None:
    """Refuse what would be copied to one place and restored over another: data that lie outside the server's folder."""
    rows = line.execute("SELECT spcname FROM pg_tablespace WHERE spcname !~ '^pg_' ORDER BY spcname").fetchall()
    if rows:
        raise Failed(
            f"The database server has tablespaces of its own ({', '.join(row[0] for row in rows)}), and a backup holds "
            "what lies in its one folder only. Move what is in them back (ALTER TABLE ... SET TABLESPACE pg_default), "
            "drop them, and begin again."
        )


def _write_ledger(line: psycopg.Connection[Any], folder: Path) -> None:
    rows = line.execute("SELECT ledger_id FROM surveys_erasure ORDER BY id").fetchall()
    (folder / LEDGER).write_text("".join(f"{row[0]}\n" for row in rows), encoding="utf-8")


def _copy_releases(kept: Path, proof: Proof, say: Say) -> None:
    """Copy each release that is not there yet. A release is written once, so a copy that is whole stays good."""
    new_folder(kept)
    copied = 0
    for version in proof.releases:
        place = kept / version
        if not place.exists():
            source = Path(settings.RELEASES_FOLDER) / version
            if not source.is_dir():
                raise Failed(
                    f"The folder {source} of release {version} is not there. Bring it back from a backup first."
                )
            making = kept / f"{version}{UNFINISHED}"
            shutil.rmtree(making, ignore_errors=True)
            shutil.copytree(source, making)
            making.rename(place)
            copied += 1
        if faults := check_folder(place):
            raise Failed(f"Release {version} is not as it was published: {' '.join(faults)}")
    give_to_server(kept)
    say(f"releases: {len(proof.releases)} whole, {copied} of them copied now")


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
