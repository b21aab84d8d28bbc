"""The template: one row per trap and night, a column per group, and a second sheet that says how to fill it in."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.worksheet.datavalidation import DataValidation

from surveys.sheets.columns import COLUMNS, VERSION_WORDS, known_titles
from surveys.sheets.folding import column_letter
from surveys.sheets.marking import TEXT, harmless, sheet_title
from surveys.sheets.reading import WORD_COLUMNS
from surveys.sheets.records import Say, SheetLists
from surveys.sheets.words import CANNOT_TELL_WORD, EXAMPLE_WORD, NONE_WORD, NOT_LOOKED_WORD, _
from surveys.vocabulary import CountClass, range_as_typed

#: Rows that are prepared below the titles: formatted as text, with lists to choose from.
PREPARED_ROWS = 300
_HEAD = PatternFill("solid", fgColor="E8DCC3")
_QUIET = Font(italic=True, color="5D4D3C")
_TITLES_ROW = 2
_EXAMPLE_ROW = 3
_HOW = (
    _("Write one row for each trap and each night."),
    _("Copy the row of a trap for each more night."),
    _("Leave a count blank if you do not know. A blank is never a zero."),
    _("Write none or 0 if you looked and saw none."),
    _("Write - or not looked if you did not look for these."),
    _("Write ? if you could not tell."),
    _("Count one by one up to 20. If there are more, you may write a range from the list below."),
    _("Cells are text cells. Leave them so: else 2-3 turns into a date."),
    _("Put numbers in, and no formulas."),
    _("Keep the titles and cell A1 as they are. You may write in English or in your own language."),
    _("The example row is not read. You may take it out."),
    _("Write no names of people, and nothing about pupils."),
)


def make_xlsx(lists: SheetLists, say: Say) -> bytes:
    """Return the template as a spreadsheet without macros."""
    book = Workbook()
    sheet = book.active
    sheet.title = sheet_title(say(_("Nights")))
    how = book.create_sheet(sheet_title(say(_("How to fill it in"))))
    ranges = _write_how(how, lists, say)
    for number, row in enumerate(_table(lists, say), start=1):
        for place, text in enumerate(row, start=1):
            if text:
                _put(sheet, number, place, text)
    _prepare(sheet, lists, ranges)
    into = io.BytesIO()
    book.save(into)
    return into.getvalue()


def make_csv(lists: SheetLists, say: Say) -> bytes:
    """Return the template as comma-separated text, with the mark that tells programs it is UTF-8."""
    into = io.StringIO(newline="")
    writer = csv.writer(into, lineterminator="\r\n")
    writer.writerows([harmless(cell) for cell in row] for row in _table(lists, say))
    return into.getvalue().encode("utf-8-sig")


def _table(lists: SheetLists, say: Say) -> list[list[str]]:
    """Return version, titles, the example and a row for each trap."""
    titles = list(known_titles(lists).items())
    order = [*(column.code for column in COLUMNS), *(group.code for group in lists.groups)]
    named = dict(titles)
    habitats = {one.code: one.names[0] for one in lists.habitats}
    rows = [[VERSION_WORDS, say(_HOW[0])], [named[code] for code in order], _example(lists, order, say)]
    for trap in lists.traps:
        filled = {"trap": trap.code, "habitat": habitats.get(trap.habitat, "")}
        rows.append([filled.get(code, "") for code in order])
    return rows


def _example(lists: SheetLists, order: Sequence[str], say: Say) -> list[str]:
    first = {column: listed[0].names[0] for column, listed in lists.words.items()}
    counts = ("3", say(NONE_WORD), "16-31", "-", "?", "")
    cells = {
        "trap": (lists.example or (say(EXAMPLE_WORD),))[0],
        "set_day": "2 May 2026",
        "set_time": "17:30",
        "emptied_day": "3 May 2026",
        "emptied_time": "17:15",
        "habitat": lists.habitats[0].names[0] if lists.habitats else "",
        "mouth_mm": "75",
        **{column: first.get(column, "") for column in WORD_COLUMNS},
        **{group.code: counts[place % len(counts)] for place, group in enumerate(lists.groups)},
    }
    return [cells.get(code, "") for code in order]


def _put(sheet: Any, row: int, column: int, text: str) -> Any:
    cell = sheet.cell(row=row, column=column, value=text)
    # Whatever it begins with, it is text: "-" and "=" too.
    cell.data_type = "s"
    cell.number_format = TEXT
    return cell


def _prepare(sheet: Any, lists: SheetLists, ranges: dict[str, str]) -> None:
    """Format the rows to fill in as text, and give the columns of closed words their lists."""
    codes = [*(column.code for column in COLUMNS), *(group.code for group in lists.groups)]
    last = _EXAMPLE_ROW + max(PREPARED_ROWS, 2 * len(lists.traps))
    for place, code in enumerate(codes, start=1):
        letter = column_letter(place - 1)
        title = sheet.cell(row=_TITLES_ROW, column=place)
        title.font, title.fill = Font(bold=True), _HEAD
        title.alignment = Alignment(wrap_text=True, vertical="bottom")
        sheet.cell(row=_EXAMPLE_ROW, column=place).font = _QUIET
        sheet.column_dimensions[letter].width = 30 if code in ranges or code == "note" else 13
        for row in range(_EXAMPLE_ROW, last + 1):
            sheet.cell(row=row, column=place).number_format = TEXT
        if code in ranges:
            # A hint and no lock: codes and the words of another language are taken too.
            listed = DataValidation(type="list", formula1=ranges[code], allow_blank=True, showErrorMessage=False)
            listed.add(f"{letter}{_EXAMPLE_ROW}:{letter}{last}")
            sheet.add_data_validation(listed)
    sheet.freeze_panes = f"B{_EXAMPLE_ROW}"


def _write_how(sheet: Any, lists: SheetLists, say: Say) -> dict[str, str]:
    """Write the second sheet; return where the words of each closed list stand, as a range of it."""
    row = 1
    for line in _HOW:
        _put(sheet, row, 1, say(line))
        row += 1
    row += 1
    titles = known_titles(lists)
    for column in COLUMNS:
        _put(sheet, row, 1, titles[column.code]).font = Font(bold=True)
        _put(sheet, row, 2, say(column.hint))
        row += 1
    row += 1
    ranges: dict[str, str] = {}
    words = {"habitat": lists.habitats, **{name: lists.words[name] for name in WORD_COLUMNS}}
    for code, listed in words.items():
        _put(sheet, row, 1, titles[code]).font = Font(bold=True)
        for place, one in enumerate(listed):
            _put(sheet, row + place, 2, one.names[0])
            _put(sheet, row + place, 3, one.code)
        ranges[code] = f"'{sheet.title}'!$B${row}:$B${row + max(len(listed), 1) - 1}"
        row += len(listed) + 1
    _put(sheet, row, 1, say(_("Ranges"))).font = Font(bold=True)
    for count_class in CountClass:
        _put(sheet, row, 2, range_as_typed(count_class))
        row += 1
    for word in (say(NONE_WORD), say(NOT_LOOKED_WORD), "-", CANNOT_TELL_WORD):
        _put(sheet, row, 2, word)
        row += 1
    sheet.column_dimensions["A"].width = 24
    sheet.column_dimensions["B"].width = 60
    sheet.column_dimensions["C"].width = 20
    return ranges
