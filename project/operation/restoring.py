"""Restoring to a moment: recovery into a new folder, a start apart from everybody, the proofs, the erasures done again.

Nothing that lives is touched: the folder must be new, and the restored database listens on a socket that only its own
user may open. Source: PostgreSQL 18 manual, "Recovering Using a Continuous Archive Backup" and "Recovery Target".
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
from django.conf import settings
from psycopg.conninfo import make_conninfo

from project.embedded import BASE_DIR
from project.operation.backing_up import LEDGER, UNFINISHED, backups_in, first_of_log
from project.operation.base_copy import verify_base_copy
from project.operation.proofs import Finding, Proof, held_against
from project.operation.tools import Failed, give_to_server, new_folder, run

#: Seconds that recovery may take. Ten gigabytes of log are replayed in some minutes.
PATIENCE_S = 6 * 3600.0
Say = Callable[[str], Any]


@dataclass(frozen=True, slots=True)
class Target:
    """The moment to restore to: a time, the restore point of a backup's proof, or the end of the archive."""

    until: datetime | None = None
    point: str = ""

    def lines(self) -> list[str]:
        """Return what PostgreSQL is told."""
        if self.point:
            return [f"recovery_target_name = '{self.point}'"]
        if self.until:
            return [f"recovery_target_time = '{self.until.astimezone(UTC).isoformat()}'"]
        return []


def restore(
    *, source: Path, into: Path, target: Target, backup: str = "", ledgers: Sequence[Path] = (), say: Say
) -> list[Finding]:
    """Restore into a new folder and prove it; return every finding. Raises :class:`Failed` where it cannot be done.

    ``into`` gets ``postgresql/`` and ``releases/``. ``backup`` names one of the source's backups; without it, the
    newest that can reach the target is taken.
    """
    if into.exists() and any(into.iterdir()):
        raise Failed(f"{into} is not empty. Give a new folder: a restore never goes over what is there.")
    name, proof = _chosen(source, target, backup)
    say(f"backup {name}: proof of {proof.taken_at}")
    base, archive, data = source / name / "base", source / "wal", new_folder(into) / "postgresql"
    say(f"base copy: found whole by {verify_base_copy(base)}")
    known = _known_ledger(source, ledgers)
    if target.lines():
        # Whoever was erased after the target is in the log that follows it: read the ledger at the archive's end.
        known |= _ledger_at_the_end(base, archive, into / "end-of-archive")
    recover(base=base, archive=archive, data=data, target=target)
    _bring_releases(source / "releases", into / "releases")
    with started(data) as address:
        with psycopg.connect(address) as line:
            findings = [_no_gap(archive, first_of_log(base)), _nothing_later(line, target)]
            findings += held_against(proof, line, exactly=bool(target.point) and proof.quiet)
        findings += _proofs_by_command(address, into, known)
        with psycopg.connect(address) as line:
            findings.append(_ledger_holds(line, known))
    return findings


def recover(*, base: Path, archive: Path, data: Path, target: Target) -> None:
    """Copy a base backup to ``data`` and replay the archive onto it up to the target; leave it stopped."""
    shutil.copytree(base, data, symlinks=True)
    _make_whole(data)
    auto = data / "postgresql.auto.conf"
    before = auto.read_text()
    kept = shlex.quote(str(archive))
    # A segment that was still being received ends with .partial; what follows its end is zeros, where recovery ends.
    fetch = f'if test -f {kept}/%f; then cp {kept}/%f "%p"; else cp {kept}/%f.partial "%p"; fi'
    lines = [f"restore_command = '{fetch.replace(chr(39), chr(39) * 2)}'", "recovery_target_action = 'promote'"]
    auto.write_text(before + "\n".join([*lines, *target.lines()]) + "\n")
    (data / "recovery.signal").touch()
    data.chmod(0o700)
    give_to_server(data)
    with started(data, hot_standby="off"):
        pass
    auto.write_text(before)
    give_to_server(auto)


@contextmanager
def started(data: Path, **words: str) -> Iterator[str]:
    """Start the database of a folder apart from everybody, yield its address, stop it in good order."""
    with tempfile.TemporaryDirectory(prefix="apart-") as folder:
        apart = Path(folder)
        (apart / "hba").write_text("local all all trust\n")
        give_to_server(apart)
        told = {
            "listen_addresses": "", "unix_socket_directories": folder, "hba_file": f"{folder}/hba", "port": "5432",
            "archive_mode": "off", "synchronous_standby_names": "", "logging_collector": "off", **words,
        }  # fmt: skip
        options = " ".join(f"-c {shlex.quote(f'{name}={value}')}" for name, value in told.items())
        log = data / "started-apart.log"
        try:
            run(["pg_ctl", "start", "--wait", "--timeout", "86400", "-D", data, "-l", log, "-o", options])
            yield _address_once_open(folder, data)
        except Failed as fault:
            raise Failed(f"{fault} {_end_of(log)}") from None
        finally:
            if (data / "postmaster.pid").exists():
                run(["pg_ctl", "stop", "--wait", "--mode", "fast", "-D", data])
    log.unlink(missing_ok=True)


def _chosen(source: Path, target: Target, backup: str) -> tuple[str, Proof]:
    found = backups_in(source)
    if not found:
        raise Failed(f"There is no finished backup in {source}. It should hold folders such as 20260504T020000Z.")
    if backup:
        found = [one for one in found if one[0] == backup]
        if not found:
            raise Failed(f"There is no backup {backup} in {source}.")
    if target.point:
        found = [one for one in found if one[1].point == target.point]
    if target.until:
        found = [one for one in found if datetime.fromisoformat(one[1].taken_at) <= target.until]
    if not found:
        raise Failed(f"No backup in {source} is from before that moment. A backup only reaches forward in time.")
    return found[-1]


def _make_whole(data: Path) -> None:
    """Add the two settings files that some systems keep elsewhere, so that the folder can be started at all."""
    for name, content in (("postgresql.conf", ""), ("pg_hba.conf", "local all all peer\n"), ("pg_ident.conf", "")):
        if not (data / name).exists():
            (data / name).write_text(content)


def _address_once_open(folder: str, data: Path) -> str:
    """Wait until recovery is over and return the address of Trapnight's database, under its user as they were."""
    given = settings.DATABASES["default"]
    address = make_conninfo(host=folder, port=5432, user=given["USER"] or "postgres", dbname=given["NAME"])
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        if not (data / "postmaster.pid").exists():
            raise Failed("The database ended before recovery was over.")
        try:
            with psycopg.connect(address) as line:
                row = line.execute("SELECT pg_is_in_recovery()").fetchone()
                if row and not row[0]:
                    return address
        except psycopg.OperationalError as fault:
            if "does not exist" in str(fault):
                raise Failed(f"{str(fault).strip()}. DATABASE_URL must name user and database as they were.") from None
        time.sleep(0.1)
    raise Failed(f"Recovery was not over after {PATIENCE_S / 3600:.0f} hours.")


def _end_of(log: Path) -> str:
    if not log.exists():
        return ""
    lines = log.read_text(errors="replace").splitlines()
    told = [line for line in lines if "FATAL" in line or "PANIC" in line or "HINT" in line] or lines
    short = " The archive ends before that moment: choose an earlier one, or --until latest." if any(
        "before configured recovery target was reached" in line for line in told
    ) else ""  # fmt: skip
    return "It said: " + " | ".join(told[-5:]) + short


def _known_ledger(source: Path, ledgers: Sequence[Path]) -> set[str]:
    """Return the ids of every ledger that was kept beside a backup, and of those that were given."""
    found: set[str] = set()
    for path in (*source.glob(f"*/{LEDGER}"), *ledgers):
        if not path.is_file():
            raise Failed(f"There is no ledger {path}. `manage.py replay_erasures --show` writes one.")
        found |= set(path.read_text(encoding="utf-8").split())
    return found


def _ledger_at_the_end(base: Path, archive: Path, data: Path) -> set[str]:
    recover(base=base, archive=archive, data=data, target=Target())
    try:
        with started(data) as address, psycopg.connect(address) as line:
            rows = line.execute("SELECT ledger_id FROM surveys_erasure").fetchall()
    finally:
        shutil.rmtree(data)
    return {str(row[0]) for row in rows}


def _bring_releases(kept: Path, place: Path) -> None:
    """Copy every release that was kept. One that the database does not list is never served."""
    place.mkdir()
    for folder in kept.glob("*.*.*"):
        if not folder.name.endswith(UNFINISHED):
            shutil.copytree(folder, place / folder.name)


def _proofs_by_command(address: str, into: Path, known: set[str]) -> list[Finding]:
    """Run the commands that prove a database, on the restored one."""
    with tempfile.TemporaryDirectory(prefix="ledger-") as folder:
        ledger = Path(folder) / LEDGER
        ledger.write_text("".join(f"{one}\n" for one in sorted(known)), encoding="utf-8")
        answer = subprocess.run(
            [sys.executable, str(BASE_DIR / "manage.py"), "prove_restored", "--ledger", str(ledger)],
            cwd=BASE_DIR,
            env={**os.environ, "DATABASE_URL": address, "RELEASES_FOLDER": str(into / "releases")},
            capture_output=True,
            text=True,
            check=False,
        )
    if answer.returncode:
        return [Finding(False, f"prove_restored ended with status {answer.returncode}: {answer.stderr.strip()[-600:]}")]
    return [Finding(**json.loads(line)) for line in answer.stdout.splitlines() if line.startswith("{")]


def _no_gap(archive: Path, first: str) -> Finding:
    """Say whether the archive has every file of the log since a backup began: recovery ends at a gap without a word.

    A name is timeline, then the number of the file in two parts. Source: PostgreSQL 18 manual, "WAL Internals".
    """
    names = sorted(path.name[:24] for path in archive.iterdir() if re.fullmatch(r"[0-9A-F]{24}(\.partial)?", path.name))
    line = [name for name in names if name[:8] == first[:8] and name >= first]
    sizes = {path.stat().st_size for path in archive.iterdir() if re.fullmatch(r"[0-9A-F]{24}", path.name)}
    each = 0x1_0000_0000 // max(sizes, default=16 * 1024 * 1024)
    numbers = sorted({int(name[8:16], 16) * each + int(name[16:], 16) for name in line})
    missing = sorted(set(range(numbers[0], numbers[-1] + 1)) - set(numbers)) if numbers else []
    if missing or first not in line:
        return Finding(False, f"The archive has a gap: {len(missing) or 'all'} files of the log are missing from it.")
    return Finding(True, f"The archive has all {len(numbers)} files of the log since {first}.")


def _nothing_later(line: psycopg.Connection[Any], target: Target) -> Finding:
    row = line.execute("SELECT id, at FROM surveys_event ORDER BY id DESC LIMIT 1").fetchone()
    if row is None:
        return Finding(True, "The log is empty.")
    fine = target.until is None or row[1] <= target.until
    return Finding(fine, f"The newest event is {row[0]}, of {row[1].astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}.")


def _ledger_holds(line: psycopg.Connection[Any], known: set[str]) -> Finding:
    row = line.execute(
        "SELECT (SELECT count(*) FROM surveys_account WHERE ledger_id = ANY(%(known)s::uuid[])),"
        " (SELECT count(*) FROM surveys_erasure WHERE ledger_id = ANY(%(known)s::uuid[]))",
        {"known": sorted(known)},
    ).fetchone()
    assert row is not None
    if row[0] or row[1] != len(known):
        return Finding(False, f"{row[0]} erased accounts are still there; {row[1]} of {len(known)} are in the ledger.")
    return Finding(True, f"All {len(known)} erased accounts are gone, and in the ledger.")
