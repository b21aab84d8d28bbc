"""Reading the cells of a spreadsheet that :mod:`surveys.sheets.container` let pass."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Iterator
from typing import Any

from openpyxl import load_workbook
from openpyxl.worksheet._reader import WorkSheetParser

from surveys.sheets.columns import MOST_COLUMNS, TITLES_WITHIN
from surveys.sheets.csv_grid import MOST_LINES, too_long, too_wide
from surveys.sheets.folding import fold
from surveys.sheets.records import CannotRead, Formula, Grid, Odd, Say, Value
from surveys.sheets.words import _
from surveys.vocabulary import SheetKind

#: Sheets of one file that are looked into for the table.
MOST_SHEETS = 10


def read_xlsx(content: bytes, titles: frozenset[str], say: Say) -> Grid:
    """Return the cells of the sheet that holds most titles of ours; formulas stay as they are written."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about parts that are dropped: none of them is read here
            book = load_workbook(io.BytesIO(content), read_only=True, keep_links=False)
            grids = [_read_sheet(book, sheet, say) for sheet in _worksheets(book)[:MOST_SHEETS]]
            book.close()
    except CannotRead:
        raise
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, SyntaxError, zipfile.BadZipFile, OSError):
        # Whatever the reader stumbles over in a file that a person made, the way on is the same.
        raise CannotRead(
            say(_("The spreadsheet cannot be opened. Save it anew as .xlsx, or copy your rows into a new template."))
        ) from None
    if not grids:
        raise CannotRead(say(_("The file holds no sheet with cells. Copy your rows into a new template.")))
    return max(grids, key=lambda grid: _titles_in(grid, titles))


def _worksheets(book: Any) -> list[Any]:
    # Charts have a sheet of their own, without cells.
    return [sheet for sheet in book.worksheets if hasattr(sheet, "_get_source")]


def _titles_in(grid: Grid, titles: frozenset[str]) -> int:
    rows = grid.rows[:TITLES_WITHIN]
    return max((len({fold(cell) for cell in row if isinstance(cell, str)} & titles) for row in rows), default=0)


def _read_sheet(book: Any, sheet: Any, say: Say) -> Grid:
    """Read one sheet with the parser under openpyxl's read-only mode.

    That mode itself pads rows to the width that the file claims, skips rows that come out of order and says
    nothing of merged cells, so a sheet would be read short without a word.
    """
    with sheet._get_source() as source:
        parser = WorkSheetParser(
            source,
            sheet._shared_strings,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        rows: dict[int, tuple[Value, ...]] = dict(_rows(parser, say))
    ranges = parser.merged_cells.mergeCell if parser.merged_cells is not None else ()
    return Grid(
        SheetKind.XLSX,
        tuple(rows.get(number, ()) for number in range(1, max(rows, default=0) + 1)),
        merged=tuple(str(block.ref) for block in ranges)[:50],
        title=str(sheet.title),
    )


def _rows(parser: Any, say: Say) -> Iterator[tuple[int, tuple[Value, ...]]]:
    """Yield number and cells of each row that holds something."""
    seen: set[int] = set()
    for number, cells in parser.parse():
        held = [(cell["column"], _value(cell)) for cell in cells if cell["value"] is not None]
        if not held:
            continue
        if number > MOST_LINES:
            raise CannotRead(too_long(say))
        if number in seen:
            raise ValueError(f"row {number} stands there twice")
        seen.add(number)
        width = max(column for column, _value_there in held)
        if width > MOST_COLUMNS:
            raise CannotRead(too_wide(number, width, say))
        row: list[Value] = [None] * width
        for column, value in held:
            row[column - 1] = value
        yield number, tuple(row)


def _value(cell: dict[str, Any]) -> Value:
    value, kind = cell["value"], cell["data_type"]
    if kind == "f":
        return Formula(str(getattr(value, "text", None) or value))
    if kind in ("e", "b"):
        return Odd(str(value))
    found: Value = value
    return found
