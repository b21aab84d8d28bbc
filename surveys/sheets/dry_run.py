"""The dry run of one file: what it is, what stands in it, what to mend, and the marked copy."""

from __future__ import annotations

from dataclasses import replace

from surveys.sheets.columns import find_layout, folded_titles
from surveys.sheets.container import open_container
from surveys.sheets.csv_grid import read_csv
from surveys.sheets.marking import mark
from surveys.sheets.reading import read_grid
from surveys.sheets.records import CannotRead, Grid, Say, SheetLists, SheetReading, Tell, in_english, quietly
from surveys.sheets.xlsx_grid import read_xlsx
from surveys.vocabulary import SheetKind


def read_file(
    content: bytes, name: str, lists: SheetLists, say: Say = in_english, tell: Tell = quietly
) -> SheetReading:
    """Read a file whole: every fault at once, or one sentence where it cannot be read. It never raises for a file."""
    kind = SheetKind.CSV
    try:
        kind, opened = open_container(content, name, say)
        grid = _grid(kind, opened, lists, say)
        layout = find_layout(grid, lists, say)
        found = read_grid(grid, layout, lists, say, tell)
    except CannotRead as refusal:
        return SheetReading(kind, refusal=refusal.sentence)
    return replace(found, marked=mark(grid, layout, found.faults, lists, say)) if found.faults else found


def _grid(kind: SheetKind, content: bytes, lists: SheetLists, say: Say) -> Grid:
    titles = folded_titles(lists)
    return read_xlsx(content, titles, say) if kind == SheetKind.XLSX else read_csv(content, titles, say)
