"""What a database held at a known moment, written beside a backup so that a restore can be held against it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql

#: Tables from which no service, rule of retention or erasure ever takes a row (an erasure empties fields instead).
#: A restore that has fewer rows of these than the proof has lost something.
GROWING = (
    "django_migrations", "surveys_correction", "surveys_erasure", "surveys_event", "surveys_household",
    "surveys_protocol", "surveys_region", "surveys_release", "surveys_releasedcell", "surveys_releasedsite",
    "surveys_return", "surveys_season", "surveys_site", "surveys_trap", "surveys_undo", "surveys_verdict",
)  # fmt: skip
PROOF = "proof.json"


@dataclass(frozen=True, slots=True)
class Proof:
    """What was there at ``taken_at`` (UTC, the database's clock), all of it read in one snapshot.

    ``quiet``: nothing was written while it was taken, so a restore to ``point`` must have exactly these rows.
    ``lsn`` is the place in the write-ahead log by which all of it is written. ``releases`` are the sums of the
    manifests of releases by number.
    """

    taken_at: str
    lsn: str
    point: str
    quiet: bool
    server: str
    system: str
    rows: dict[str, int]
    last_event: int
    last_digest: str
    releases: dict[str, str] = field(default_factory=dict)

    def write(self, folder: Path) -> None:
        """Write ``proof.json``."""
        (folder / PROOF).write_text(json.dumps(asdict(self), indent=1, sort_keys=True) + "\n", encoding="utf-8")

    @classmethod
    def read(cls, folder: Path) -> Proof:
        """Read ``proof.json``."""
        return cls(**json.loads((folder / PROOF).read_text(encoding="utf-8")))


def take_proof(line: psycopg.Connection[Any], *, name: str) -> Proof:
    """Read everything a proof holds in one snapshot, and set a restore point called ``name`` after it.

    Costs one count of each table.
    """
    line.autocommit = True
    with line.cursor() as cursor:
        cursor.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        first = _one(cursor, "SELECT pg_current_snapshot()::text")
        taken_at = _one(
            cursor, "SELECT to_char(clock_timestamp() AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US\"Z\"')"
        )
        rows = counted_rows(cursor)
        last_event, last_digest = last_link(cursor)
        releases = released(cursor) if "surveys_release" in rows else {}
        server = _one(cursor, "SHOW server_version")
        system = str(_one(cursor, "SELECT system_identifier FROM pg_control_system()"))
        cursor.execute("COMMIT")
        lsn = _one(cursor, "SELECT pg_create_restore_point(%s)::text", name)
        last = _one(cursor, "SELECT pg_current_snapshot()::text")
    # A snapshot reads xmin:xmax:running. The same one twice, with nobody running: nobody wrote in between.
    quiet = first == last and first.endswith(":")
    return Proof(taken_at, lsn, name, quiet, server, system, rows, last_event, last_digest, releases)


def counted_rows(cursor: psycopg.Cursor[Any]) -> dict[str, int]:
    """Return how many rows each table has, those of all its parts together."""
    cursor.execute(
        "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace"
        " AND relkind IN ('r', 'p') AND NOT relispartition ORDER BY relname"
    )
    tables = [row[0] for row in cursor.fetchall()]
    found = {}
    for table in tables:
        cursor.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(table)))
        found[table] = _first(cursor)
    return found


def last_link(cursor: psycopg.Cursor[Any]) -> tuple[int, str]:
    """Return number and hash of the newest event of the log; 0 and nothing before the first."""
    cursor.execute("SELECT id, digest FROM surveys_event ORDER BY id DESC LIMIT 1")
    return cursor.fetchone() or (0, "")


def released(cursor: psycopg.Cursor[Any]) -> dict[str, str]:
    """Return the sum of the manifest of each release by its number."""
    cursor.execute("SELECT version, sha256 FROM surveys_release ORDER BY number")
    return dict(cursor.fetchall())


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at after a restore, and how it stood."""

    fine: bool
    sentence: str


def held_against(proof: Proof, line: psycopg.Connection[Any], *, exactly: bool = False) -> list[Finding]:
    """Hold a restored database against a proof from before the restored moment; ``exactly`` where it is that moment."""
    with line.cursor() as cursor:
        rows = counted_rows(cursor)
        cursor.execute("SELECT digest FROM surveys_event WHERE id = %s", [proof.last_event])
        link = cursor.fetchone()
        sums = released(cursor) if "surveys_release" in rows else {}
    return [_rows_hold(proof.rows, rows, exactly), _link_holds(proof, link), _releases_hold(proof.releases, sums)]


def _rows_hold(before: Mapping[str, int], now: Mapping[str, int], exactly: bool) -> Finding:
    looked_at = sorted(before) if exactly else [table for table in GROWING if table in before]
    wrong = [
        f"{table} had {before[table]} rows and has {now.get(table, 0)}"
        for table in looked_at
        if (now.get(table, 0) != before[table] if exactly else now.get(table, 0) < before[table])
    ]
    if wrong:
        return Finding(False, "Rows are missing: " + "; ".join(wrong) + ".")
    said = "exactly the rows" if exactly else "at least the rows"
    total = sum(now.get(table, 0) for table in looked_at)
    return Finding(True, f"{len(looked_at)} tables have {said} of the proof ({total:,} rows now).")


def _link_holds(proof: Proof, link: tuple[str] | None) -> Finding:
    if not proof.last_event:
        return Finding(True, "The log was empty when the proof was taken.")
    if link is None:
        return Finding(False, f"Event {proof.last_event} of the proof is not in the log.")
    if link[0] != proof.last_digest:
        return Finding(False, f"Event {proof.last_event} has another hash than in the proof: the log was rewritten.")
    return Finding(True, f"Event {proof.last_event} is in the log with the hash of the proof.")


def _releases_hold(before: Mapping[str, str], now: Mapping[str, str]) -> Finding:
    wrong = [version for version, found in before.items() if now.get(version) != found]
    if wrong:
        return Finding(False, f"Releases {', '.join(wrong)} are not listed with the sums of the proof.")
    return Finding(True, f"{len(before)} releases are listed with the sums of the proof.")


def _one(cursor: psycopg.Cursor[Any], query: str, *given: Any) -> Any:
    cursor.execute(query, given)
    return _first(cursor)


def _first(cursor: psycopg.Cursor[Any]) -> Any:
    row = cursor.fetchone()
    assert row is not None
    return row[0]
