"""An index table as it was published beside the same table computed again: which figures differ, and by how much."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from surveys.release_files.reading import csv_path
from surveys.release_files.tables import Table

#: Figures that differ by a smaller share are told to differ in their last digits: other hardware sums otherwise.
LAST_DIGITS = 1e-9
#: Differences that are told one by one.
MOST_TOLD = 20

Key = tuple[str, ...]
Figures = Mapping[Key, Mapping[str, str]]


@dataclass(frozen=True, slots=True)
class Difference:
    """A value that differs, as it is written: ``published`` and ``computed``; None where its row is missing."""

    key: Key
    column: str
    published: str | None
    computed: str | None

    @property
    def share(self) -> float:
        """By how much of itself the value differs; infinite where it is no number, or only one of both is."""
        try:
            published, computed = float(self.published or ""), float(self.computed or "")
        except ValueError:
            return math.inf
        largest = max(abs(published), abs(computed))
        return abs(published - computed) / largest if largest and math.isfinite(largest) else math.inf


@dataclass(frozen=True, slots=True)
class Comparison:
    """``figures`` computed again of a table, what differs, and whether both files are the same byte for byte."""

    table: Table
    figures: int
    differences: tuple[Difference, ...]
    same: bool


def compare_table(folder: Path, computed: Path, table: Table) -> Comparison:
    """Compare a table of a release with the one computed again in another folder.

    Raises ValueError with a sentence where the published file is not such a table.
    """
    published, again = (csv_path(where, table).read_bytes() for where in (folder, computed))
    expected = _figures(again, table)
    if published == again:
        return Comparison(table, len(expected), (), same=True)
    found = _figures(published, table)
    keys = sorted(found.keys() | expected.keys())
    differences = tuple(one for key in keys for one in _compare_rows(key, found.get(key), expected.get(key)))
    return Comparison(table, len(expected), differences, same=False)


def say_comparison(comparison: Comparison) -> list[str]:
    """Say in a few lines what was found: how many figures there are, and which differ, with both values."""
    name, figures = f"{comparison.table.name}.csv", f"{comparison.figures:,} figures computed again"
    if comparison.same:
        return [f"{name}: {figures}, all the same to the last digit."]
    if not comparison.differences:
        return [
            f"{name}: {figures}, all the same. But the file is written in another way: other ends of lines, other "
            "quotes, or rows in another order."
        ]
    rows = len({one.key for one in comparison.differences})
    largest = max(one.share for one in comparison.differences)
    said = [f"{name}: {figures}, {rows:,} of them differ{_how_far(largest)}:"]
    said += [_say_difference(comparison.table, one) for one in comparison.differences[:MOST_TOLD]]
    more = len(comparison.differences) - MOST_TOLD
    return said + ([f"  and {more:,} more values."] if more > 0 else [])


def _figures(content: bytes, table: Table) -> Figures:
    """Return the values of a table by key, as they are written."""
    try:
        rows = list(csv.reader(StringIO(content.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as fault:
        raise ValueError(f"{table.name}.csv cannot be read as CSV: {fault}. Download it again.") from fault
    header = rows[0] if rows else []
    if tuple(header) != table.names:
        found, expected = ",".join(header)[:200], ",".join(table.names)[:200]
        raise ValueError(f"{table.name}.csv begins with {found!r}, but the codebook says {expected!r}.")
    figures: dict[Key, Mapping[str, str]] = {}
    for line, row in enumerate(rows[1:], start=2):
        if len(row) != len(header):
            raise ValueError(f"{table.name}.csv has {len(row)} cells in line {line}; expected {len(header)}.")
        named = dict(zip(header, row, strict=True))
        key = tuple(named[column] for column in table.key)
        if key in figures:
            raise ValueError(f"{table.name}.csv has two rows for {' '.join(key)}; expected one. Download it again.")
        figures[key] = named
    return figures


def _compare_rows(
    key: Key, published: Mapping[str, str] | None, computed: Mapping[str, str] | None
) -> list[Difference]:
    if published is None or computed is None:
        return [Difference(key, "", _whole(published), _whole(computed))]
    return [
        Difference(key, column, published[column], value)
        for column, value in computed.items()
        if published[column] != value
    ]


def _whole(row: Mapping[str, str] | None) -> str | None:
    return None if row is None else ",".join(row.values())


def _how_far(largest: float) -> str:
    if largest < LAST_DIGITS:
        return f", in their last digits only (by {largest:.0e} of themselves at most), as other hardware may do"
    return ""


def _say_difference(table: Table, one: Difference) -> str:
    place = ", ".join(f"{column} {value}" for column, value in zip(table.key, one.key, strict=True))
    if one.published is None:
        return f"  {place}: there is no such row in the file; computed {one.computed}"
    if one.computed is None:
        return f"  {place}: the file has {one.published}; the release gives no such figure"
    return f"  {place}: {one.column} is {_said(one.published)} in the file, {_said(one.computed)} computed again"


def _said(value: str | Sequence[str]) -> str:
    return str(value) or "empty"
