"""The file of an export: the live tables of one moment as CSV, and from that as Parquet where it was asked for.

Read over a connection of its own, in one snapshot of the database, so that the job's progress can be written meanwhile.
It may be that of a replica that keeps up; where that breaks off, the file is begun anew from the database itself.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.db.backends.utils import CursorWrapper

from surveys.models import Season
from surveys.queries.live_data import (
    TABLES,
    count_statement,
    export_statement,
    parameters_of,
    read_places,
)
from surveys.queries.live_filters import LiveFilter
from surveys.queries.replica import may_lag, research_connection
from surveys.release_files.parquet import parquet_path, write_parquet
from surveys.release_files.reading import csv_path
from surveys.vocabulary import ExportTable, FileKind

#: Longer than this no statement of a background job may take. Source: standards notes, S19.
LONGEST_STATEMENT = "15min"
#: Memory of one sort or join on the server: the same as for a release.
WORK_MEM = "64MB"
_ID_LETTERS = 36  # each row begins with the id of its return


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file that was just written: where it lies, how many rows and bytes it has, and its SHA-256."""

    path: Path
    rows: int
    size_bytes: int
    sha256: str


def write_table_file(
    *,
    season: Season,
    wanted: LiveFilter,
    table: ExportTable,
    kind: FileKind,
    folder: Path,
    tell: Callable[[int, int], None],
) -> WrittenFile:
    """Write a table into a folder. ``tell`` hears how many returns are written, of how many; it may raise to stop."""
    rows = _write_csv(season, wanted, table, csv_path(folder, TABLES[table]), tell)
    path = csv_path(folder, TABLES[table])
    if kind == FileKind.PARQUET:
        write_parquet(folder, TABLES[table])
        path = parquet_path(folder, TABLES[table])
    with path.open("rb") as file:
        os.fsync(file.fileno())
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return WrittenFile(path, rows, path.stat().st_size, sha256)


@may_lag
def _write_csv(
    season: Season, wanted: LiveFilter, table: ExportTable, path: Path, tell: Callable[[int, int], None]
) -> int:
    """Write the rows as CSV (RFC 4180, UTF-8, LF, header). Returns how many there are. Three queries."""
    with _one_moment() as cursor:
        parameters = parameters_of(season, wanted, read_places(season, cursor))
        cursor.execute(count_statement(wanted), parameters)
        total = int(cursor.fetchone()[0])
        rows, done, last = 0, 0, b""
        tell(0, total)
        with path.open("wb") as file:
            file.write(",".join(TABLES[table].names).encode() + b"\n")
            for row in _copied(cursor, export_statement(table, wanted), parameters):
                file.write(row)
                rows += 1
                if row[:_ID_LETTERS] != last:
                    last, done = bytes(row[:_ID_LETTERS]), done + 1
                    tell(done, total)
        tell(total, total)
    return rows


def _copied(cursor: CursorWrapper, statement: str, parameters: Mapping[str, Any]) -> Iterator[bytes]:
    """Yield the rows of a statement as CSV, one at a time, as PostgreSQL sends them."""
    with cursor.copy(f"COPY ({statement}) TO STDOUT (FORMAT csv)", parameters) as copy:
        yield from copy


@contextmanager
def _one_moment() -> Iterator[CursorWrapper]:
    """Open a connection whose statements all see the database as it is now, and write nothing."""
    reader = research_connection().copy()
    try:
        reader.set_autocommit(False)
        with reader.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            cursor.execute(f"SET LOCAL statement_timeout = '{LONGEST_STATEMENT}'")
            cursor.execute(f"SET LOCAL work_mem = '{WORK_MEM}'")
            yield cursor
    finally:
        reader.close()
