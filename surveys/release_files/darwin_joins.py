"""Returns and their counts side by side: two long tables in the order of return_id, read together in batches."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from surveys.release_files.darwin_columns import Column, both, in_slices
from surveys.release_files.reading import arrow_schema, table_batches
from surveys.release_files.tables import COUNTS, RETURNS
from surveys.vocabulary import YesNo

#: What a row of counts takes over from its return, beside the number of that row in the batch.
CARRIED = ("season", "looked_for_all", "trap_nights", "state")


def returns_with_counts(
    folder: Path, of_returns: Sequence[str], of_counts: Sequence[str]
) -> Iterator[tuple[pa.Table, pa.Table]]:
    """Yield batches of returns, each with all its counts.

    The counts carry :data:`CARRIED` of their return (``of_returns`` must hold them) and ``row``, its place in the
    batch. Raises ValueError where a row of counts names no return, or stands out of order.
    """
    counts = _Counts(folder, of_counts)
    for returns in in_slices(table_batches(folder, RETURNS, of_returns)):
        yield returns, _carried(returns, counts.up_to(returns["return_id"][-1].as_py()))
    counts.refuse_more()


class _Counts:
    """The rows of counts that were not taken yet."""

    def __init__(self, folder: Path, columns: Sequence[str]) -> None:
        self._batches = table_batches(folder, COUNTS, columns)
        self._empty = arrow_schema(COUNTS).empty_table().select(list(columns))
        self._next = self._following()

    def _following(self) -> pa.Table | None:
        batch = next(self._batches, None)
        return None if batch is None else pa.Table.from_batches([batch]).cast(self._empty.schema)

    def up_to(self, return_id: str) -> pa.Table:
        """Take all rows up to those of a return."""
        taken = [self._empty]
        while self._next is not None:
            ids = self._next["return_id"]
            end = _rows_up_to(ids, return_id)
            taken.append(self._next.slice(0, end))
            if end < len(ids):
                self._next = self._next.slice(end)
                break
            self._next = self._following()
        return pa.concat_tables(taken)

    def refuse_more(self) -> None:
        """Raise ValueError where rows are left when all returns are read."""
        while self._next is not None and not len(self._next):
            self._next = self._following()
        if self._next is not None:
            raise ValueError(_no_return(self._next["return_id"][0].as_py()))


def _rows_up_to(ids: Column, return_id: str) -> int:
    return bisect_right(range(len(ids)), return_id, key=lambda at: str(ids[at].as_py()))


def _carried(returns: pa.Table, counts: pa.Table) -> pa.Table:
    row = pc.index_in(counts["return_id"], value_set=returns["return_id"].combine_chunks())
    lost = pc.index(pc.is_null(row), True).as_py()
    if lost >= 0:
        raise ValueError(_no_return(counts["return_id"][lost].as_py()))
    for name in CARRIED:
        counts = counts.append_column(name, returns[name].take(row))
    return counts.append_column("row", row)


def _no_return(return_id: str) -> str:
    return (
        f"counts.csv speaks of the return {return_id}, which returns.csv does not hold, or one of them is not sorted "
        "by return_id. Freeze the tables again."
    )


def is_absence(counts: pa.Table) -> Column:
    """Return which rows may be published as absences.

    Somebody looked for the group and saw none; the return says that every group of the list was looked for and
    reported; and the trap was recovered. Without that answer, or with a lost trap, a zero stays out.
    """
    return both(
        pc.equal(counts["detected"], False),
        pc.equal(counts["looked_for_all"], YesNo.YES.value),
        pc.is_valid(counts["trap_nights"]),
    )


def is_presence(counts: pa.Table) -> Column:
    """Return which rows are presences: one animal was seen at least, whatever became of the trap."""
    return both(counts["detected"])
