"""Whether the rows of a table stand in the order of its key, each key once: seen batch by batch, without a sort."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from surveys.release_files.tables import Table


class KeyOrder:
    """Compares each row with the one before it. Texts are compared byte by byte."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.rows = 0
        self._last: pa.Table | None = None

    def take(self, batch: pa.RecordBatch) -> None:
        """Look at the next rows. Raises ValueError with a sentence where one is out of order or stands there twice."""
        keys = pa.Table.from_batches([batch]).select(self.table.key)
        begins_at = self.rows - (self._last is not None)
        both = keys if self._last is None else pa.concat_tables([self._last, keys])
        self.rows += len(keys)
        if len(both):
            self._last = both.slice(len(both) - 1)
        later, equal = _compared(both)
        self._refuse(pc.invert(pc.or_(later, equal)), begins_at, "comes before the one above it")
        self._refuse(equal, begins_at, "stands there twice")

    def _refuse(self, found: pa.ChunkedArray, begins_at: int, what: str) -> None:
        at = pc.index(found, True).as_py()
        if at >= 0:
            raise ValueError(
                f"{self.table.name}.csv is not sorted by {', '.join(self.table.key)}, each once: its line "
                f"{begins_at + at + 3} {what}. Freeze the tables again."
            )


def _compared(keys: pa.Table) -> tuple[pa.ChunkedArray, pa.ChunkedArray]:
    """Say of each row but the first whether its key is greater than that of the row above, and whether it is equal."""
    above, below = keys.slice(0, max(len(keys) - 1, 0)), keys.slice(1)
    later = pa.chunked_array([pa.array([False] * len(below), pa.bool_())])
    equal = pc.invert(later)
    for name in keys.column_names:
        first, second = _comparable(above.column(name)), _comparable(below.column(name))
        later = pc.or_(later, pc.and_(equal, pc.greater(second, first)))
        equal = pc.and_(equal, pc.equal(second, first))
    return later, equal


def _comparable(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if pa.types.is_boolean(column.type):
        return column.cast(pa.int8())
    return column.cast(pa.binary()) if pa.types.is_string(column.type) else column
