"""The folders of two releases that are the same, and ways to make them differ."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from surveys.methods import METHOD_VERSION
from surveys.release_files.tables import SCHEMA_VERSION, Table
from tests.released import write_small_release, write_table

Rows = list[dict[str, str]]
SAME = {"method_version": METHOD_VERSION, "schema_version": SCHEMA_VERSION}


def rows_of(folder: Path, table: Table) -> Rows:
    with (folder / f"{table.name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def before(tmp_path: Path) -> Path:
    folder = tmp_path / "before"
    folder.mkdir()
    write_small_release(folder, **SAME)
    return folder


@pytest.fixture
def now(tmp_path: Path) -> Path:
    folder = tmp_path / "now"
    folder.mkdir()
    write_small_release(folder, **SAME)
    return folder


def rewrite(folder: Path, table: Table, change: Callable[[Rows], Rows]) -> None:
    write_table(
        folder, table, [{name: value or None for name, value in row.items()} for row in change(rows_of(folder, table))]
    )


def drop_column(folder: Path, table: Table, column: str) -> None:
    rows = rows_of(folder, table)
    names = [name for name in rows[0] if name != column]
    with (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
