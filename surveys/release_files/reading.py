"""Reading the tables of a release: CSV with the types of :mod:`surveys.release_files.tables`, in batches or whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
from pyarrow import csv

from surveys.release_files.tables import Column, Table

#: Bytes of text that are read at a time: some thousand rows. Arrow reads some forty blocks ahead.
BLOCK_BYTES = 2**19

_KINDS: dict[str, pa.DataType] = {
    "string": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "boolean": pa.bool_(),
    "date": pa.date32(),
    "datetime": pa.timestamp("s", tz="UTC"),
}


def csv_path(folder: Path, table: Table) -> Path:
    """Return where a table's CSV stands in a release's folder."""
    return folder / f"{table.name}.csv"


def arrow_schema(table: Table) -> pa.Schema:
    """Return the Arrow schema of a table; a column that is not required may be null."""
    return pa.schema([_field(column) for column in table.columns])


def _field(column: Column) -> pa.Field:
    return pa.field(column.name, _KINDS[column.kind], nullable=not column.required)


def table_batches(folder: Path, table: Table, columns: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
    """Yield a table in typed batches, an empty cell as null; ``columns`` keeps some of them, in that order.

    Raises ValueError with a sentence where the file is missing, its header is another, or a cell has another type.
    """
    path = csv_path(folder, table)
    if not path.is_file():
        raise ValueError(
            f"There is no {path.name} in {folder}. Give the folder into which a whole release was unpacked."
        )
    _refuse_another_header(path, table)
    chosen = list(columns) if columns is not None else list(table.names)
    try:
        with csv.open_csv(path, *_how_to_read(table, chosen)) as batches:
            yield from batches
    except pa.ArrowInvalid as fault:
        if _is_empty(path):
            return
        raise ValueError(f"{path.name} does not hold what the codebook says: {fault}") from fault


def most_rows(folder: Path, table: Table) -> int:
    """Return how many rows a table has at most: as many as its file has lines; none where there is no file."""
    path = csv_path(folder, table)
    if not path.is_file():
        return 0
    with path.open("rb") as file:
        return 1 + sum(block.count(b"\n") for block in iter(lambda: file.read(BLOCK_BYTES), b""))


def read_table(folder: Path, table: Table, columns: Sequence[str] | None = None) -> pa.Table:
    """Return a whole table. Raises as :func:`table_batches`."""
    chosen = list(columns) if columns is not None else list(table.names)
    schema = pa.schema([arrow_schema(table).field(name) for name in chosen])
    return pa.Table.from_batches([batch.cast(schema) for batch in table_batches(folder, table, chosen)], schema=schema)


def _how_to_read(table: Table, chosen: list[str]) -> tuple[csv.ReadOptions, csv.ParseOptions, csv.ConvertOptions]:
    return (
        csv.ReadOptions(block_size=BLOCK_BYTES, use_threads=False),
        csv.ParseOptions(newlines_in_values=False),
        csv.ConvertOptions(
            column_types=arrow_schema(table),
            include_columns=chosen,
            null_values=[""],
            true_values=["true"],
            false_values=["false"],
            strings_can_be_null=True,
            timestamp_parsers=[csv.ISO8601],
        ),
    )


def _refuse_another_header(path: Path, table: Table) -> None:
    with path.open(encoding="utf-8", newline="") as lines:
        found = lines.readline().rstrip("\n")
    expected = ",".join(table.names)
    if found != expected:
        raise ValueError(f"{path.name} begins with {found[:200]!r}, but the codebook says {expected[:200]!r}.")


def _is_empty(path: Path) -> bool:
    with path.open(encoding="utf-8", newline="") as lines:
        lines.readline()
        return not lines.readline()
