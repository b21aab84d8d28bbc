"""Is a base copy as pg_basebackup wrote it: pg_verifybackup says so, or the same looked at here.

The pg_verifybackup of the embedded PostgreSQL 18.4 package cannot be started (it ends with a signal, whatever it is
asked). A program that ends so has said nothing, so its checks are then made here. Source of the format: PostgreSQL 18
manual, "Backup Manifest Format".
"""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path

from project.operation.tools import Failed, as_server, program, run

MANIFEST = "backup_manifest"
#: Written by the server or by recovery and in no manifest. Source: PostgreSQL 18 manual, "pg_verifybackup".
NOT_LISTED = {MANIFEST, "postgresql.auto.conf", "standby.signal", "recovery.signal"}


def verify_base_copy(base: Path) -> str:
    """Return who found a base copy whole. Raises :class:`Failed` with what is wrong."""
    answer = subprocess.run(
        [program("pg_verifybackup"), "--quiet", str(base)],
        cwd="/", capture_output=True, text=True, check=False, **as_server(),
    )  # fmt: skip
    if answer.returncode == 0:
        return "pg_verifybackup"
    if answer.returncode > 0:
        raise Failed(f"The base copy {base} is not whole: {answer.stderr.strip()[-800:]}")
    faults = faults_of(base)
    if faults:
        raise Failed(f"The base copy {base} is not whole: {' '.join(faults[:5])}")
    _parse_log(base)
    return "its manifest and pg_waldump, as pg_verifybackup could not be started"


def faults_of(base: Path) -> list[str]:
    """Return a sentence for each file that is not as the manifest lists it, and one where the manifest was changed."""
    path = base / MANIFEST
    if not path.is_file():
        return [f"{path} is missing."]
    text = path.read_bytes()
    before, _, last = text.rstrip(b"\n").rpartition(b"\n")
    try:
        manifest = json.loads(text)
        kept = str(json.loads(b"{" + last)["Manifest-Checksum"])
    except (ValueError, KeyError):
        return [f"{path} cannot be read."]
    if hashlib.sha256(before + b"\n").hexdigest() != kept:
        return [f"{path} was changed."]
    faults = [sentence for entry in manifest["Files"] if (sentence := _fault_of(base, entry))]
    listed = {entry["Path"] for entry in manifest["Files"]} | NOT_LISTED
    there = (str(found.relative_to(base)) for found in base.rglob("*") if found.is_file())
    more = [name for name in there if name not in listed and not name.startswith("pg_wal/")]
    return faults + [f"{name} is not listed." for name in more]


def _fault_of(base: Path, entry: dict[str, str | int]) -> str:
    path = base / str(entry["Path"])
    if not path.is_file():
        return f"{entry['Path']} is missing."
    if path.stat().st_size != entry["Size"]:
        return f"{entry['Path']} has {path.stat().st_size} bytes, and had {entry['Size']}."
    with path.open("rb") as file:
        found = hashlib.file_digest(file, str(entry["Checksum-Algorithm"]).lower()).hexdigest()
    return "" if found == entry["Checksum"] else f"{entry['Path']} has other content."


def _parse_log(base: Path) -> None:
    """Have pg_waldump read the log that the copy needs to become consistent."""
    for part in json.loads((base / MANIFEST).read_text())["WAL-Ranges"]:
        run([
            "pg_waldump", "--quiet", f"--path={base / 'pg_wal'}", f"--timeline={part['Timeline']}",
            f"--start={part['Start-LSN']}", f"--end={part['End-LSN']}",
        ])  # fmt: skip
