"""Files as teachers and as hostile people send them, made by code: nothing binary is kept in the repository."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import UTC, datetime
from typing import Any

from openpyxl import Workbook, load_workbook

from surveys.sheets.columns import COLUMNS
from surveys.sheets.dry_run import read_file
from surveys.sheets.reading import WORD_COLUMNS
from surveys.sheets.records import ListedTrap, Named, SheetLists, SheetReading, Tell
from surveys.sheets.words import ANSWER_WORDS, MONTHS
from surveys.vocabulary import REPORTED_WORDS

GROUPS = (("woodlice", "Woodlice"), ("spiders", "Spiders"), ("springtails", "Springtails"))
CODES = (*(column.code for column in COLUMNS), *(code for code, _ in GROUPS))
TITLES = (*(column.title for column in COLUMNS), *(name for _, name in GROUPS))
HEAD = (("trapnight-sheet 1",), TITLES)
GOOD: dict[str, Any] = {
    "trap": "K7Q2M9", "set_day": "2 May 2026", "set_time": "17:30", "emptied_day": "3 May 2026",
    "emptied_time": "17:00", "mouth_mm": "75", "rim": "flush", "cover": "present", "liquid": "nothing",
    "trap_state": "intact", "woodlice": "3", "spiders": "none", "springtails": "16-31",
}  # fmt: skip


def lists(**changes: Any) -> SheetLists:
    """Return the lists of a household with two traps, three groups and two habitats."""
    found: dict[str, Any] = {
        "household": "7f0c", "alias": "Mossy Lantern 1",
        "traps": (ListedTrap("K7Q2M9", "trap-one", "short_lawn"), ListedTrap("012345", "trap-two", "hedge_base")),
        "groups": tuple(Named(code, (name,)) for code, name in GROUPS),
        "habitats": (Named("short_lawn", ("Short lawn", "Kurzer Rasen")), Named("hedge_base", ("Hedge base",))),
        "words": {
            name: tuple(Named(word.value, (word.label,)) for word in REPORTED_WORDS[name]) for name in WORD_COLUMNS
        },
        "titles": {column.code: (column.title,) for column in COLUMNS},
        "answers": tuple(Named(kind.value, words) for kind, words in ANSWER_WORDS.items()),
        "months": MONTHS, "example": ("example", "Beispiel"), "zone": "Europe/London",
        "first_year": 2025, "last_year": 2027, "now": datetime(2026, 11, 1, tzinfo=UTC),
    }  # fmt: skip
    return SheetLists(**{**found, **changes})


def row(**changes: Any) -> list[Any]:
    """Return the cells of a good row with some of them changed, in the order of the template."""
    filled = {**GOOD, **changes}
    return [filled.get(code, "") for code in CODES]


def as_csv(*rows: list[Any], separator: str = ",", head: Any = HEAD) -> str:
    """Return rows under the template's head as text."""
    into = io.StringIO()
    csv.writer(into, delimiter=separator).writerows([*head, *rows])
    return into.getvalue()


def as_xlsx(*rows: list[Any], head: Any = HEAD) -> bytes:
    """Return rows under the template's head as a spreadsheet."""
    book = Workbook()
    for cells in (*head, *rows):
        book.active.append([None if cell == "" else cell for cell in cells])
    into = io.BytesIO()
    book.save(into)
    return into.getvalue()


def repacked(content: bytes, *, added: dict[str, bytes] | None = None, changed: Any = None) -> bytes:
    """Return an archive packed anew, with parts added and each part passed through ``changed(name, bytes)``."""
    into = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            held = old.read(part)
            new.writestr(part.filename, changed(part.filename, held) if changed else held)
        for name, held in (added or {}).items():
            new.writestr(name, held)
    return into.getvalue()


def in_sheet(content: bytes, old: bytes, new: bytes) -> bytes:
    """Return a spreadsheet with a piece of its first sheet's XML replaced."""

    def changed(name: str, held: bytes) -> bytes:
        if name != "xl/worksheets/sheet1.xml":
            return held
        assert old in held
        return held.replace(old, new)

    return repacked(content, changed=changed)


def read_here(content: bytes, name: str, about: SheetLists, *, tell: Tell, **_: Any) -> SheetReading:
    """Read a file in this process, in place of the child process that has tests of its own."""
    return read_file(content, name, about, tell=tell)


def read_csv_text(text: str, **changes: Any) -> SheetReading:
    """Read a text as a file of comma-separated values in UTF-8."""
    return read_file(text.encode(), "nights.csv", lists(**changes))


def read_rows(*rows: list[Any], **changes: Any) -> SheetReading:
    """Read rows under the template's head, as text."""
    return read_csv_text(as_csv(*rows), **changes)


def fault_of(column: str, cell: Any) -> tuple[str, str]:
    """Return what is said of a cell, and how to mend it, in a row that is good but for it."""
    found = read_rows(row(**{column: cell}))
    assert len(found.faults) == 1, found.faults
    fault = found.faults[0]
    assert (fault.row, found.ready) == (3, ())
    assert fault.title == TITLES[CODES.index(column)]
    return fault.what, fault.how


def formulas_in(content: bytes) -> list[str]:
    """Return every cell of a spreadsheet that another reader takes for a formula."""
    book = load_workbook(io.BytesIO(content))
    return [
        str(cell.value) for sheet in book.worksheets for cells in sheet.iter_rows() for cell in cells
        if cell.data_type == "f"
    ]  # fmt: skip
