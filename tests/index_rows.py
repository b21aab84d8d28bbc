"""Reading and changing the tables of a release as texts, and the figures of an index series by key."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

from surveys.release_files.index_estimates import IndexSeries
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import Table

Rows = list[dict[str, str]]


def read(folder: Path, table: Table) -> Rows:
    """Return the rows of a table as they are written, by the standard library alone."""
    with csv_path(folder, table).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def rewrite(folder: Path, table: Table, change: Callable[[Rows], Any]) -> None:
    """Change the rows of a table in place, and write them as they stand then."""
    rows = read(folder, table)
    change(rows)
    with csv_path(folder, table).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, table.names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def named(series: IndexSeries, table: Table) -> dict[tuple[Any, ...], dict[str, Any]]:
    """Return the figures of a table by key."""
    rows = [dict(zip(table.names, row, strict=True)) for row in series.rows_of(table)]
    found = {tuple(row[name] for name in table.key): row for row in rows}
    assert len(found) == len(rows)
    return found
