"""Two versions of a table, compared row by row in the order of their key: one row of each in memory at a time."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from surveys.release_files.tables import Table

Key = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class RowChanges:
    """How many rows a table had and has, and how many came in, went out, or say something else."""

    rows_before: int
    rows_now: int
    came_in: int
    went_out: int
    changed: int

    def as_numbers(self) -> dict[str, int]:
        """Return the numbers by their names."""
        return asdict(self)


def read_header(path: Path) -> list[str]:
    """Return the names of the columns of a CSV file, none where there is no file."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return next(csv.reader(file), [])


def compare_rows(before: Path, now: Path, table: Table) -> RowChanges:
    """Compare two files of a table whose rows are sorted by its key, each key once.

    A row has changed where a column says something else that both files have. A file that is not there has no rows.
    Raises ValueError with a sentence where a row has another number of columns than its header, or is out of order.
    """
    headers = read_header(before), read_header(now)
    both = [name for name in headers[1] if name in headers[0]]
    old, new = _Rows(before, headers[0], table, both), _Rows(now, headers[1], table, both)
    kept = came_in = went_out = changed = 0
    same_columns = headers[0] == headers[1]
    a, b, alike = old.step(), new.step(), ""
    while a and b:
        if same_columns and a == b:  # most rows: nothing of them is taken apart
            kept += 1
            alike = a
            a, b = old.step(), new.step()
            continue
        if alike:
            old.passed(alike)
            new.passed(alike)
            alike = ""
        first, second = old.key(a), new.key(b)
        if first == second:
            kept += 1
            changed += old.content(a) != new.content(b)
            a, b = old.step(), new.step()
        elif first < second:
            went_out += 1
            a = old.step()
        else:
            came_in += 1
            b = new.step()
    went_out += old.count_from(a)
    came_in += new.count_from(b)
    return RowChanges(kept + went_out, kept + came_in, came_in, went_out, changed)


def column_of(path: Path, at: int) -> Iterator[str]:
    """Yield the cell of each row that stands at a place. A row without quotes is cut at that place only."""
    for line in _lines(path):
        yield next(csv.reader([line]))[at] if '"' in line else line.rstrip("\n").split(",", at + 1)[at]


class _Rows:
    """The lines of a sorted CSV file, one after the other; values of a table hold no line ends."""

    def __init__(self, path: Path, header: Sequence[str], table: Table, compared: Sequence[str]) -> None:
        kinds = {column.name: column.kind for column in table.columns}
        missing = [name for name in table.key if header and name not in header]
        if missing:
            raise ValueError(f"{path.name} has no column {missing[0]!r}, by which {table.name} is sorted.")
        self.path, self.width = path, len(header)
        self.keys = [(header.index(name), kinds[name] == "integer") for name in table.key if header]
        self.compared = [header.index(name) for name in compared]
        self.last: tuple[Key, str] = ((), "")
        lines = _lines(path)
        self.step: Callable[[], str] = lambda: next(lines, "")

    def key(self, line: str) -> Key:
        """Return the key of a row: texts are compared by their signs, numbers by their size."""
        row = self._cells(line)
        key = tuple(int(row[at]) if number else row[at] for at, number in self.keys)
        if key < self.last[0] or (key == self.last[0] and line is not self.last[1]):
            words = ", ".join(str(part) for part in key)
            raise ValueError(
                f"{self.path.name} is not sorted by its key, each once: {words} comes too late. Freeze it again."
            )
        self.last = key, line
        return key

    def passed(self, line: str) -> None:
        """Take note that a row was passed without a look at its key."""
        self.last = ((), "")
        self.key(line)

    def count_from(self, line: str) -> int:
        """Count the rows that are left, this one included."""
        number = 0
        while line:
            self.key(line)
            number, line = number + 1, self.step()
        return number

    def content(self, line: str) -> list[str]:
        """Return the cells of a row that both files have."""
        row = self._cells(line)
        return [row[at] for at in self.compared]

    def _cells(self, line: str) -> list[str]:
        row = next(csv.reader([line]))
        if len(row) != self.width:
            raise ValueError(
                f"{self.path.name} has a row with {len(row)} cells, but {self.width} columns: {line[:80]!r}."
            )
        return row


def _lines(path: Path) -> Iterator[str]:
    if not path.is_file():
        return
    with path.open(encoding="utf-8", newline="\n") as file:
        next(file, "")
        yield from file
