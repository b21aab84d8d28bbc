"""Backup and restore, done for real on a PostgreSQL of one's own; and each proof shown failing where it must.

Figure 6 of the reliability notes: row counts, hash chain and the replay of erasures are all verified after a restore to
a moment. Outside judge of the steps: PostgreSQL 18 manual, "Continuous Archiving and Point-in-Time Recovery".
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection

from project.operation.backing_up import back_up, backups_in, drop_old_backups
from project.operation.base_copy import faults_of
from project.operation.proofs import Finding, Proof, _rows_hold
from project.operation.restoring import Target, _no_gap, restore
from project.operation.tools import MAJOR, PROGRAMS, Failed, folder_of_programs, give_to_server, program
from tests.operation.cluster import ROOT
from tests.published import publish


@pytest.fixture(scope="module")
def figures() -> dict[str, Any]:
    """The figures of one small drill: a backup under load, the database destroyed, restored to a moment before."""
    answer = subprocess.run(
        [sys.executable, "-m", "tests.operation.drill", "--returns", "30", "--clients", "2", "--rest", "0.2", "--small"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.returncode == 0, answer.stdout + answer.stderr
    found: dict[str, Any] = json.loads(answer.stdout)
    return found


def test_nothing_acknowledged_before_the_moment_is_lost(figures: dict[str, Any]) -> None:
    moment = figures["restores"]["moment"]
    assert moment["acknowledged_before_the_cut"] > 0
    assert moment["lost_before_the_cut"] == 0
    assert moment["later_than_the_moment"] is False


def test_the_backup_was_taken_under_load_and_more_was_sent_after_the_moment(figures: dict[str, Any]) -> None:
    assert figures["acknowledged_while_backing_up"] > 0
    assert figures["acknowledged"] > figures["acknowledged_by_the_moment"] > figures["acknowledged_while_backing_up"]


def test_every_proof_is_told_and_holds(figures: dict[str, Any]) -> None:
    protocol = "\n".join(figures["restores"]["moment"]["protocol"])
    assert "FAILS" not in protocol
    for told in (
        "The archive has all", "tables have at least the rows of the proof", "is in the log with the hash of the proof",
        "1 releases are listed", "The event log is whole", "1.0.0: as it was published",
    ):  # fmt: skip
        assert told in protocol, told


def test_who_was_erased_after_the_moment_is_erased_again(figures: dict[str, Any]) -> None:
    """Two were erased before the moment (one of them years ago) and one after it, whom only the log that follows it knows."""
    protocol = "\n".join(figures["restores"]["moment"]["protocol"])
    assert "replay_erasures: 1 accounts erased again" in protocol
    assert "All 3 erased accounts are gone, and in the ledger." in protocol


# --- each proof fails where it must -------------------------------------------------------------------


def a_proof(**changes: Any) -> Proof:
    given: dict[str, Any] = {
        "taken_at": "2026-05-04T02:00:00Z", "lsn": "0/2000000", "point": "trapnight-x", "quiet": True, "server": "18.4",
        "system": "1", "rows": {"surveys_return": 3, "surveys_draft": 2}, "last_event": 7, "last_digest": "ab",
    }  # fmt: skip
    return Proof(**(given | changes))


def test_missing_rows_are_found_and_a_dropped_draft_is_not_missed() -> None:
    before = a_proof().rows
    assert _rows_hold(before, {"surveys_return": 3, "surveys_draft": 0}, False).fine
    assert not _rows_hold(before, {"surveys_return": 2, "surveys_draft": 2}, False).fine
    assert not _rows_hold(before, {"surveys_draft": 2}, False).fine
    assert not _rows_hold(before, {"surveys_return": 3, "surveys_draft": 1}, True).fine, (
        "at its own moment all must be there"
    )
    assert not _rows_hold(before, {"surveys_return": 4, "surveys_draft": 2}, True).fine


def segments(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).write_bytes(b"\0" * 1024 * 1024 if name.endswith("partial") else b"\0" * 16 * 1024 * 1024)
    return folder


def test_a_gap_in_the_archive_is_found(tmp_path: Path) -> None:
    """The file after ...0000000FF is ...100000000 with files of 16 MB (PostgreSQL 18 manual, "WAL Internals")."""
    whole = ("0000000100000000000000FE", "0000000100000000000000FF", "000000010000000100000000.partial")
    archive = segments(tmp_path, *whole)
    assert _no_gap(archive, whole[0]).fine
    (archive / whole[1]).unlink()
    assert not _no_gap(archive, whole[0]).fine
    assert not _no_gap(archive, "0000000100000000000000FD").fine, "the first file is missing"


def manifest_of(base: Path) -> None:
    """Write a manifest as pg_basebackup does: the last line is the sum of all lines before it."""
    files = [
        {
            "Path": path.name, "Size": path.stat().st_size, "Checksum-Algorithm": "SHA256",
            "Checksum": hashlib.sha256(path.read_bytes()).hexdigest(),
        }
        for path in sorted(base.iterdir())
    ]  # fmt: skip
    head = '{ "PostgreSQL-Backup-Manifest-Version": 2,\n"Files": ' + json.dumps(files) + ',\n"WAL-Ranges": [],\n'
    last = f'"Manifest-Checksum": "{hashlib.sha256(head.encode()).hexdigest()}"}}\n'
    (base / "backup_manifest").write_text(head + last)


@pytest.mark.parametrize("harm", ["changed", "cut", "gone", "more", "manifest"])
def test_harm_to_a_base_copy_is_found(tmp_path: Path, harm: str) -> None:
    (tmp_path / "PG_VERSION").write_text("18\n")
    manifest_of(tmp_path)
    assert faults_of(tmp_path) == []
    file, manifest = tmp_path / "PG_VERSION", tmp_path / "backup_manifest"
    if harm == "changed":
        file.write_text("17\n")
    elif harm == "cut":
        file.write_text("1")
    elif harm == "gone":
        file.unlink()
    elif harm == "more":
        (tmp_path / "global").write_text("x")
    else:
        manifest.write_text(manifest.read_text().replace('"Size": 3', '"Size": 4'))
    assert len(faults_of(tmp_path)) == 1


def test_a_restore_never_goes_over_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "PG_VERSION").write_text("18")
    with pytest.raises(Failed, match="is not empty"):
        restore(source=tmp_path / "backups", into=tmp_path, target=Target(), say=print)
    assert (tmp_path / "PG_VERSION").read_text() == "18"


def test_a_moment_before_every_backup_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "backups" / "20260504T020000Z"
    folder.mkdir(parents=True)
    a_proof().write(folder)
    with pytest.raises(Failed, match="only reaches forward"):
        restore(
            source=tmp_path / "backups",
            into=tmp_path / "new",
            target=Target(until=datetime(2026, 5, 3, tzinfo=UTC)),
            say=print,
        )
    assert not (tmp_path / "new").exists()


# --- the commands say it and end with a status ---------------------------------------------------------


def test_a_proof_that_fails_ends_the_restore_with_a_status(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    found = [
        Finding(True, "The log is whole."),
        Finding(False, "Rows are missing: surveys_return had 3 rows and has 2."),
    ]
    monkeypatch.setattr("project.management.commands.restore.restore", lambda **_: found)
    told = StringIO()
    with pytest.raises(CommandError, match=r"1 of 2 proofs fail\. Do not use"):
        call_command("restore", source=tmp_path, until="latest", into=tmp_path / "new", stdout=told)
    assert "holds  The log is whole." in told.getvalue()
    assert "FAILS  Rows are missing" in told.getvalue()


@pytest.mark.parametrize("until", ["yesterday", "", "2026-13-01"])
def test_a_moment_that_is_none_is_refused_in_words(until: str, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match=r"--until is .* but it must be a moment"):
        call_command("restore", source=tmp_path, until=until, into=tmp_path / "new")


@pytest.mark.django_db(transaction=True)
def test_a_broken_log_and_a_changed_release_are_told_by_the_proofs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, settings: Any
) -> None:
    settings.RELEASES_FOLDER = tmp_path / "releases"
    publish({"index.json": b"{}\n"})
    (tmp_path / "releases" / "1.0.0" / "index.json").write_text("[]\n")
    monkeypatch.setattr("surveys.management.commands.check_log.broken_links", lambda: [3])
    ledger, told = tmp_path / "erasures.txt", StringIO()
    ledger.write_text("")
    call_command("prove_restored", ledger=ledger, stdout=told)
    lines = [json.loads(line) for line in told.getvalue().splitlines()]
    assert [(line["fine"], line["sentence"].split(":")[0]) for line in lines] == [
        (False, "check_log"), (False, "check_release"), (True, "replay_erasures"), (False, "check_log"),
    ]  # fmt: skip


@pytest.mark.django_db(transaction=True)
def test_a_database_with_tablespaces_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    """One within the server's folder is made, as a test may. PostgreSQL 18 manual, "allow_in_place_tablespaces"."""
    with connection.cursor() as cursor:
        cursor.execute("SET allow_in_place_tablespaces = on")
        cursor.execute("CREATE TABLESPACE trapnight_slow LOCATION ''")
        try:
            with pytest.raises(Failed, match=r"tablespaces of its own \(trapnight_slow\)"):
                back_up(into=tmp_path / "backups", now=datetime(2026, 5, 4, tzinfo=UTC), say=print)
        finally:
            cursor.execute("DROP TABLESPACE trapnight_slow")
            cursor.execute("RESET allow_in_place_tablespaces")
    assert not (tmp_path / "backups").exists()


def test_programs_of_one_version_are_taken_together() -> None:
    """A program of another version reads the files of a database wrongly: all come from one folder, of version 18."""
    folder = folder_of_programs()
    told = subprocess.run([folder / "pg_basebackup", "--version"], capture_output=True, text=True, check=True).stdout
    assert f"(PostgreSQL) {MAJOR}." in told
    assert {Path(program(name)).parent for name in PROGRAMS} == {folder}


@pytest.fixture
def kept() -> Iterator[Path]:
    """A folder of three backups and the log from before the first to after the last, owned as a real one is."""
    folder = Path(tempfile.mkdtemp(prefix="tn-kept-"))
    folder.chmod(0o755)
    (folder / "wal").mkdir()
    for number in range(1, 8):
        (folder / "wal" / f"{1:08X}{0:08X}{number:08X}").write_bytes(b"")
    for name, first in (("20260501T020000Z", 2), ("20260520T020000Z", 4), ("20260601T020000Z", 6)):
        (folder / name / "base").mkdir(parents=True)
        file = f"{1:08X}{0:08X}{first:08X}"
        (folder / name / "base" / "backup_label").write_text(f"START WAL LOCATION: 0/{first}000028 (file {file})\n")
        a_proof().write(folder / name)
    (folder / "20260502T020000Z.unfinished").mkdir()
    give_to_server(folder)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    ("days", "left", "first"),
    [
        (60, ["20260501T020000Z", "20260520T020000Z", "20260601T020000Z"], 1),
        (20, ["20260520T020000Z", "20260601T020000Z"], 4),
        (0, ["20260601T020000Z"], 6),
    ],
)
def test_old_backups_go_with_their_part_of_the_log_and_the_newest_stays(
    kept: Path, days: int, left: list[str], first: int
) -> None:
    drop_old_backups(folder=kept, days=days, now=datetime(2026, 6, 2, tzinfo=UTC), say=print)
    assert [name for name, _ in backups_in(kept)] == left
    assert [int(path.name[16:], 16) for path in sorted((kept / "wal").iterdir())] == list(range(first, 8))
    assert (kept / "20260502T020000Z.unfinished").exists() is (days == 60)
