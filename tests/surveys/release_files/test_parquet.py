"""Parquet files: the same rows and types as the CSV, in row groups, read by outside libraries."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars
import pyarrow as pa
import pytest
from pyarrow import parquet

from surveys.release_files import parquet as parquet_files
from surveys.release_files.parquet import write_parquet
from surveys.release_files.tables import CELLS, FINDINGS, RETURNS, TABLES, WINDOWS, Table
from tests.made_release import make_release, rows_of
from tests.released import write_small_release, write_table


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("release")
    make_release(made, seed=7)
    return made


def as_typed(text: str, kind: str) -> Any:
    """Read a cell as the README of a release says: by the standard library."""
    if text == "":
        return None
    if kind == "datetime":
        return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    read = {"integer": int, "number": float, "boolean": {"true": True, "false": False}.__getitem__, "string": str}
    return date.fromisoformat(text) if kind == "date" else read[kind](text)


@pytest.mark.parametrize("table", [table for table in TABLES if table != CELLS], ids=lambda table: table.name)
def test_parquet_holds_what_the_csv_holds(folder: Path, table: Table) -> None:
    """Readers: polars for Parquet, the standard library for CSV."""
    found = polars.read_parquet(folder / f"{table.name}.parquet")
    assert tuple(found.columns) == table.names
    kinds = {column.name: column.kind for column in table.columns}
    expected = [
        {name: as_typed(text, kinds[name]) for name, text in row.items()} for row in rows_of(folder, table.name)
    ]
    assert found.to_dicts() == expected


def test_columns_have_the_types_that_a_reader_hopes_for(folder: Path) -> None:
    returns = parquet.read_schema(folder / "returns.parquet")
    counts = parquet.read_schema(folder / "counts.parquet")
    for name in ("season", "region", "cell", "habitat", "window", "standing", "rim"):
        assert pa.types.is_dictionary(returns.field(name).type), name
        assert returns.field(name).type.value_type == pa.string()
    assert returns.field("set_at").type == pa.timestamp("ms", tz="UTC")
    assert returns.field("night").type == pa.date32()
    assert returns.field("return_id").type == pa.string()
    assert counts.field("count_max").type == pa.int64()
    assert counts.field("count_max").nullable
    assert not counts.field("answer").nullable


def test_nothing_in_the_file_tells_of_a_day_or_a_machine(folder: Path, tmp_path: Path) -> None:
    write_small_release(tmp_path, seed=7)
    write_parquet(tmp_path, RETURNS)
    assert (tmp_path / "returns.parquet").read_bytes() == (folder / "returns.parquet").read_bytes()
    assert set(parquet.read_metadata(tmp_path / "returns.parquet").metadata) == {b"ARROW:schema"}


def _findings(rows: int) -> list[dict[str, Any]]:
    return [{"return_id": str(uuid.UUID(int=n)), "check": "exposure", "outcome": "note"} for n in range(rows)]


@pytest.mark.parametrize(
    ("rows", "groups"),
    [(0, []), (1, [1]), (149_999, [149_999]), (150_000, [100_000, 50_000]), (260_001, [100_000, 100_000, 60_001])],
)
def test_row_groups_hold_50_to_150_thousand_rows(tmp_path: Path, rows: int, groups: list[int]) -> None:
    """The range: GeoParquet's guide to best practices, which standards notes ask for in all files."""
    write_table(tmp_path, FINDINGS, _findings(rows))
    write_parquet(tmp_path, FINDINGS)
    found = parquet.ParquetFile(tmp_path / "findings.parquet")
    assert [found.metadata.row_group(n).num_rows for n in range(found.num_row_groups)] == groups
    assert found.read(["return_id"]).column(0).to_pylist() == [str(uuid.UUID(int=n)) for n in range(rows)]


def test_small_groups_keep_every_row_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_files, "ROWS_IN_A_GROUP", 20)
    write_small_release(tmp_path, seed=3)
    write_parquet(tmp_path, RETURNS)
    found = parquet.ParquetFile(tmp_path / "returns.parquet")
    sizes = [found.metadata.row_group(n).num_rows for n in range(found.num_row_groups)]
    assert sizes[:-1] == [20] * (len(sizes) - 1)
    assert len(sizes) > 2
    assert 10 <= sizes[-1] < 30
    assert found.read(["region"]).column(0).to_pylist() == [row["region"] for row in rows_of(tmp_path, "returns")]


def test_a_reader_is_told_how_rows_are_sorted_and_what_a_group_spans(folder: Path) -> None:
    group = parquet.read_metadata(folder / "counts.parquet").row_group(0)
    assert [(one.column_index, one.descending) for one in group.sorting_columns] == [(0, False), (1, False)]
    rows = rows_of(folder, "counts")
    assert group.column(0).statistics.min == rows[0]["return_id"]
    assert group.column(0).statistics.max == rows[-1]["return_id"]
    assert group.column(0).compression == "ZSTD"


def _window(season: str, position: int) -> dict[str, Any]:
    return {
        "season": season, "position": position, "window": "spring", "name": "Spring", "first_day": date(2026, 4, 20),
        "last_day": date(2026, 6, 20),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ([("b", 1), ("a", 1)], "its line 3 comes before the one above it"),
        ([("a", 1), ("a", 2), ("a", 2)], "its line 4 stands there twice"),
        ([("a", 10), ("a", 9)], "its line 3 comes before the one above it"),
        ([("a", 1), ("B", 1)], "its line 3 comes before the one above it"),
        ([("a-b", 1), ("a", 1)], "its line 3 comes before the one above it"),
    ],
)
def test_rows_out_of_order_are_refused_with_their_line(
    tmp_path: Path, keys: list[tuple[str, int]], sentence: str
) -> None:
    """Bytes decide: B comes before a, and 10 after 9."""
    _write_unsorted(tmp_path, [_window(*key) for key in keys])
    with pytest.raises(ValueError, match=re.escape(sentence)):
        write_parquet(tmp_path, WINDOWS)


def test_order_is_seen_across_batches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("surveys.release_files.reading.BLOCK_BYTES", 200)
    _write_unsorted(tmp_path, [_window("a", n) for n in [*range(1, 20), 19]])
    with pytest.raises(ValueError, match="its line 21 stands there twice"):
        write_parquet(tmp_path, WINDOWS)
    _write_unsorted(tmp_path, [_window("a", n) for n in range(1, 21)])
    write_parquet(tmp_path, WINDOWS)
    assert parquet.read_metadata(tmp_path / "windows.parquet").num_rows == 20


def test_an_empty_cell_where_none_may_be_is_refused(tmp_path: Path) -> None:
    _write_unsorted(tmp_path, [_window("a", 1) | {"name": ""}])
    with pytest.raises(ValueError, match=r"windows.csv has 1 empty cells in the column name, which is never empty"):
        write_parquet(tmp_path, WINDOWS)


def _write_unsorted(folder: Path, rows: list[dict[str, Any]]) -> None:
    lines = [",".join(WINDOWS.names), *(",".join(str(row[name]) for name in WINDOWS.names) for row in rows)]
    (folder / "windows.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
