"""Small tools on Arrow columns, from which the archive's files are put together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeAlias

import pyarrow as pa
import pyarrow.compute as pc

from surveys.release_files.darwin_terms import ArchiveFile

#: A column of a table: an Arrow array, whole or in chunks.
Column: TypeAlias = Any  # pa.Array | pa.ChunkedArray: pyarrow brings no types
#: Rows that are put together at a time: an event takes a kilobyte or two while it is.
ROWS_AT_A_TIME = 5_000
_BETWEEN_KEYS = "\x1f"  # never in a code


def archive_table(file: ArchiveFile, columns: Mapping[str, Column | str | None], rows: int) -> pa.Table:
    """Return a table with every term of a file, in order: a text stands in every row, what is not given is empty."""
    unknown = set(columns) - set(file.columns)
    if unknown:
        raise ValueError(f"{file.name} has no term {', '.join(sorted(unknown))}.")
    return pa.table({name: _spread(columns.get(name), rows) for name in file.columns})


def _spread(value: Column | str | None, rows: int) -> Column:
    if value is None or isinstance(value, str):
        return pa.repeat(pa.scalar(value or None, pa.string()), rows)
    return value


def in_slices(batches: Iterable[pa.RecordBatch | pa.Table]) -> Iterator[pa.Table]:
    """Yield the rows of some batches in small tables, in order."""
    for batch in batches:
        table = batch if isinstance(batch, pa.Table) else pa.Table.from_batches([batch])
        for begin in range(0, len(table), ROWS_AT_A_TIME):
            yield table.slice(begin, ROWS_AT_A_TIME)


def joined(*parts: Column | str, between: str = "") -> Column:
    """Return the texts of each row in one; null where one of them is null."""
    return pc.binary_join_element_wise(*parts, between)


def looked_up(
    keys: Sequence[Column],
    table: Mapping[tuple[str], object] | Mapping[tuple[str, str], object],
    kind: pa.DataType | None = None,
) -> Column:
    """Return what a table holds under each row's keys; null where it holds nothing."""
    known = pa.array([_BETWEEN_KEYS.join(key) for key in table], pa.string())
    values = pa.array(list(table.values()), kind or pa.string())
    return values.take(pc.index_in(joined(*keys, between=_BETWEEN_KEYS), value_set=known))


def text(column: Column) -> Column:
    """Return numbers as their shortest text, such as 24 or 1.0104166666666667."""
    return pc.cast(column, pa.string())


def instants(column: Column) -> Column:
    """Return instants as ISO 8601 in UTC, such as 2026-05-02T18:00:00Z."""
    return pc.replace_substring(text(pc.cast(column, pa.timestamp("s", tz="UTC"))), pattern=" ", replacement="T")


def intervals(first: Column, last: Column) -> Column:
    """Return ISO 8601 intervals in UTC."""
    return joined(instants(first), instants(last), between="/")


def where(condition: Column, value: Column | str) -> Column:
    """Return a value where a condition is true; null elsewhere."""
    return pc.if_else(
        _certain(condition), value, pa.scalar(None, pa.string() if isinstance(value, str) else value.type)
    )


def true_or_false(condition: Column) -> Column:
    """Return true and false as texts; what is not known is false."""
    return pc.if_else(_certain(condition), "true", "false")


def both(*conditions: Column) -> Column:
    """Return whether all conditions are certain to hold."""
    answer = _certain(conditions[0])
    for condition in conditions[1:]:
        answer = pc.and_(answer, _certain(condition))
    return answer


def said(parts: Iterable[Column], between: str = " ") -> Column:
    """Return the texts of each row that are not null, with something between them; null where there is none."""
    # Led by a text that is never null: Arrow's "skip" drops a row in which everything is null (seen in 26.0).
    led = pc.binary_join_element_wise("", *parts, between, null_handling="skip")
    return pc.if_else(pc.equal(led, ""), pa.scalar(None, pa.string()), pc.utf8_slice_codeunits(led, len(between)))


def _certain(condition: Column) -> Column:
    return pc.fill_null(condition, False)
