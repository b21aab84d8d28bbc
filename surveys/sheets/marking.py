"""The copy that goes back: the cells as they came, as text, with what to mend in a last column."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, PatternFill

from surveys.sheets.answers import shown
from surveys.sheets.columns import MEND, Layout
from surveys.sheets.csv_grid import DANGEROUS
from surveys.sheets.folding import column_letter, tidied
from surveys.sheets.records import Grid, Say, SheetFault, SheetLists, Value
from surveys.sheets.words import _
from surveys.vocabulary import SheetKind

#: Signs of one cell; what is longer is cut, as no answer is that long.
MOST_SIGNS = 600
_TINT = PatternFill("solid", fgColor="FFF2C4")
_WRAP = Alignment(wrap_text=True, vertical="top")
TEXT = "@"


def mark(grid: Grid, layout: Layout, faults: Sequence[SheetFault], lists: SheetLists, say: Say) -> bytes:
    """Return the file again, in the kind in which it came, with what to mend beside each row."""
    rows = _rows(grid, layout, faults, lists, say)
    return _mark_xlsx(grid, rows, say) if grid.kind == SheetKind.XLSX else _mark_csv(grid, rows)


def sentence_of(fault: SheetFault, say: Say) -> str:
    """Return one fault in words, with the name of its cell."""
    if fault.title and fault.letter:
        where = say(_("{title} (column {letter}):")).format(title=fault.title, letter=fault.letter)
    elif fault.letter:
        where = say(_("Column {letter}:")).format(letter=fault.letter)
    else:
        where = ""
    return " ".join(part for part in (where, fault.what, fault.how) if part)


def _label(say: Say) -> str:
    return say(_("A copy to read: what to mend stands in the last column. All cells are text."))


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the copy: its cells as texts, the letters of those to mend, and the words of the last column."""

    cells: list[str]
    wrong: frozenset[str]
    words: str


def _rows(grid: Grid, layout: Layout, faults: Sequence[SheetFault], lists: SheetLists, say: Say) -> Iterator[_Row]:
    """Yield each row, as wide as the widest. What concerns the titles stands above or below their row."""
    last = layout.mend if layout.mend is not None else max((len(row) for row in grid.rows), default=0)
    by_row: dict[int, list[SheetFault]] = defaultdict(list)
    beside_titles = 1 if layout.titles_row > 0 else 2
    for fault in faults:
        by_row[beside_titles if fault.row == layout.titles_row + 1 else fault.row].append(fault)
    for place, row in enumerate(grid.rows):
        found = by_row.get(place + 1, ())
        words = " ".join(sentence_of(fault, say) for fault in found)
        if place == 0 and layout.titles_row > 0:
            words = f"{_label(say)} {words}".strip()
        if place == layout.titles_row:
            words = lists.titles.get(MEND.code, (say(MEND.names[0]),))[0]
        cells = [_shown(cell) for cell in row[:last]]
        wrong = frozenset(fault.letter for fault in faults_of_row(found, place + 1))
        yield _Row([*cells, *[""] * (last - len(cells))], wrong, words)


def faults_of_row(found: Sequence[SheetFault], row: int) -> Iterator[SheetFault]:
    """Yield the faults whose cell stands in this very row."""
    yield from (fault for fault in found if fault.row == row)


def _shown(cell: Value) -> str:
    return tidied(shown(cell)[: 2 * MOST_SIGNS])[:MOST_SIGNS]


def _mark_csv(grid: Grid, rows: Iterator[_Row]) -> bytes:
    into = io.StringIO(newline="")
    writer = csv.writer(into, delimiter=grid.separator, lineterminator="\r\n")
    for row in rows:
        writer.writerow([harmless(cell) for cell in (*row.cells, row.words)])
    # With this mark at the front spreadsheet programs take the letters for what they are.
    return into.getvalue().encode("utf-8-sig")


def harmless(cell: str) -> str:
    """Return a cell that no program works out: dangerous beginnings get the sign that makes them text."""
    return f"'{cell}" if cell.startswith(DANGEROUS) else cell


def _mark_xlsx(grid: Grid, rows: Iterator[_Row], say: Say) -> bytes:
    book = Workbook(write_only=True)
    sheet = book.create_sheet(sheet_title(grid.title or say(_("Nights"))))
    for row in rows:
        wrong = [column_letter(place) in row.wrong for place in range(len(row.cells))] if row.wrong else ()
        cells = [text_cell(sheet, cell) if cell else None for cell in row.cells]
        for place, is_wrong in enumerate(wrong):
            if is_wrong:
                cells[place] = text_cell(sheet, row.cells[place], _TINT)
        last = text_cell(sheet, row.words, _TINT if row.wrong else None, wrap=True) if row.words else None
        sheet.append([*cells, last])
    into = io.BytesIO()
    book.save(into)
    return into.getvalue()


def text_cell(sheet: Any, text: str, tint: Any = None, *, wrap: bool = False) -> Any:
    """Return a cell that is text whatever stands in it: a formula among others is shown, not worked out."""
    cell = WriteOnlyCell(sheet, value=text)
    cell.data_type = "s"
    cell.number_format = TEXT
    if text.startswith(DANGEROUS):
        cell.quotePrefix = True
    if tint is not None:
        cell.fill = tint
    if wrap:
        cell.alignment = _WRAP
    return cell


def sheet_title(text: str) -> str:
    """Return a name that a sheet may have: 31 signs, none of those that stand in addresses of cells."""
    return "".join(sign for sign in text if sign not in "[]:*?/\\'")[:31] or "1"
