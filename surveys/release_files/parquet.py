"""Every table as Parquet, from its CSV, one row group at a time: millions of rows in the memory of a few."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
from pyarrow import parquet

from surveys.release_files.order import KeyOrder
from surveys.release_files.reading import arrow_schema, csv_path, table_batches
from surveys.release_files.tables import CELLS, TABLES, Column, Table

#: Rows of a row group; the last one of a file holds up to half as many more. GeoParquet 1.1 advises 50 to 150
#: thousand (its guide "Best practices for distributing GeoParquet").
ROWS_IN_A_GROUP = 100_000

#: Codes that stand in many rows, beside the words of closed lists.
CODES = frozenset({"season", "region", "cell", "habitat", "window", "group", "check", "base", "code"})
#: A millisecond is the coarsest unit of time that Parquet has.
INSTANT = pa.timestamp("ms", tz="UTC")


def write_parquet_files(folder: Path) -> None:
    """Write ``<name>.parquet`` for every table but the grid cells, which are GeoParquet."""
    for table in TABLES:
        if table != CELLS:
            write_parquet(folder, table)


def parquet_path(folder: Path, table: Table) -> Path:
    """Return where a table's Parquet file stands in a release's folder."""
    return folder / f"{table.name}.parquet"


def write_parquet(folder: Path, table: Table) -> None:
    """Write one table as Parquet: same names and order, coded columns as dictionaries, instants in UTC.

    Raises ValueError where the table is not sorted by its key, holds a key twice, or lacks a required cell.
    """
    with parquet.ParquetWriter(
        parquet_path(folder, table),
        parquet_schema(table),
        compression="zstd",
        use_dictionary=[column.name for column in table.columns if is_coded(column)],
        write_statistics=True,
        sorting_columns=[parquet.SortingColumn(table.names.index(name)) for name in table.key],
    ) as writer:
        for rows in _row_groups(folder, table):
            writer.write_table(rows, row_group_size=len(rows))


def parquet_schema(table: Table) -> pa.Schema:
    """Return the schema of a table's Parquet file."""
    return pa.schema([_field(column, found) for column, found in zip(table.columns, arrow_schema(table), strict=True)])


def is_coded(column: Column) -> bool:
    """Say whether a column holds few different texts: words of a closed list, or codes of the season's lists."""
    return column.words is not None or column.name in CODES


def _field(column: Column, found: pa.Field) -> pa.Field:
    if is_coded(column):
        return found.with_type(pa.dictionary(pa.int32(), pa.string()))
    return found.with_type(INSTANT) if column.kind == "datetime" else found


def _row_groups(folder: Path, table: Table) -> Iterator[pa.Table]:
    """Yield a table in groups of 100,000 rows, and a last one of up to 150,000, so that none is a crumb."""
    order = KeyOrder(table)
    waiting = parquet_schema(table).empty_table()
    for batch in table_batches(folder, table):
        order.take(batch)
        # Codes are packed at once: what waits is then a third of its text.
        waiting = pa.concat_tables([waiting, _typed(batch, table)])
        while len(waiting) >= 1.5 * ROWS_IN_A_GROUP:
            yield waiting.slice(0, ROWS_IN_A_GROUP).unify_dictionaries()
            waiting = waiting.slice(ROWS_IN_A_GROUP)
    if len(waiting):
        yield waiting.unify_dictionaries()


def _typed(batch: pa.RecordBatch, table: Table) -> pa.Table:
    for column in table.columns:
        missing = batch.column(column.name).null_count if column.required else 0
        if missing:
            raise ValueError(
                f"{csv_path(Path(), table)} has {missing} empty cells in the column {column.name}, which is never "
                "empty. Freeze the tables again."
            )
    return pa.Table.from_batches([batch]).cast(parquet_schema(table))
