"""Reading a table of comma-separated values: encodings and separators as spreadsheet programs write them."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator

from surveys.sheets.columns import MOST_COLUMNS, MOST_ROWS, TITLES_WITHIN
from surveys.sheets.folding import fold
from surveys.sheets.records import CannotRead, Grid, Say
from surveys.sheets.words import _
from surveys.vocabulary import SheetKind

SEPARATORS = (",", ";", "\t")
#: Lines of a file; blank ones count.
MOST_LINES = 4 * MOST_ROWS
#: Signs with which a spreadsheet program begins to work a cell out (ASVS 5.0.0, 1.2.10).
DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\0")


def read_csv(content: bytes, titles: frozenset[str], say: Say) -> Grid:
    """Return the cells of a file as texts. ``titles`` are the folded names of columns that are known."""
    text = decode(content, say)
    given = _named_separator(text)
    separator = given or find_separator(text, titles)
    lines = text.split("\n", 1)[1] if given else text
    rows = tuple(tuple(unmarked(cell) for cell in row) for row in _rows(lines, separator, say))
    return Grid(SheetKind.CSV, ((), *rows) if given else rows, separator=separator)


def decode(content: bytes, say: Say) -> str:
    """Return the text of a file: UTF-16 and UTF-8 by their marks, then UTF-8, then Windows-1252."""
    try:
        if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            text = content.decode("utf-16")
        elif content.startswith(codecs.BOM_UTF8):
            text = content.decode("utf-8-sig")
        else:
            text = _decode_unmarked(content)
    except UnicodeDecodeError:
        raise CannotRead(
            say(_("The letters of this file cannot be read. Save it as CSV UTF-8, then send it again."))
        ) from None
    if "\0" in text:
        raise CannotRead(say(_("The file holds signs that no text has. Save it as CSV UTF-8, then send it again.")))
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode_unmarked(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252")


def find_separator(text: str, titles: frozenset[str]) -> str:
    """Return the separator under which most titles of ours are found in one of the first lines."""
    lines = text.split("\n", TITLES_WITHIN)[:TITLES_WITHIN]

    def titles_under(separator: str) -> int:
        cells = (line[:20_000].split(separator) for line in lines)
        return max((len({fold(cell) for cell in row} & titles) for row in cells), default=0)

    def parts_under(separator: str) -> int:
        return max((line.count(separator) for line in lines), default=0)

    return max(SEPARATORS, key=lambda separator: (titles_under(separator), parts_under(separator)))


def unmarked(cell: str) -> str:
    """Return a cell without the sign that a marked copy puts before what a program would work out."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in DANGEROUS and len(cell) > 1 else cell


def _named_separator(text: str) -> str:
    """Return the separator that a first line such as ``sep=;`` names, which one program writes and reads."""
    first = text.split("\n", 1)[0].strip().strip('"').lower()
    return first[4:] if first.startswith("sep=") and first[4:] in SEPARATORS and "\n" in text else ""


def _rows(text: str, separator: str, say: Say) -> Iterator[list[str]]:
    # Whether a cell is too long is said of that cell: the module's own bound, shared by a whole process, is lifted.
    csv.field_size_limit(max(csv.field_size_limit(), len(text) + 1))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    begins = 1
    try:
        for row in reader:
            while row and not row[-1].strip():
                row.pop()
            if len(row) > MOST_COLUMNS:
                raise CannotRead(too_wide(begins, len(row), say))
            if begins > MOST_LINES:
                raise CannotRead(too_long(say))
            yield row
            begins = reader.line_num + 1
    except csv.Error:
        raise CannotRead(
            say(
                _(
                    "From line {line} on the file cannot be split into cells. A quotation mark may be open and never "
                    "closed. Look at that line."
                )
            ).format(line=begins)
        ) from None


def too_wide(row: int, columns: int, say: Say) -> str:
    """Return the sentence for a row with too many columns."""
    return say(_("Row {row} has {columns} columns. A sheet takes {most}. Use the columns of the template.")).format(
        row=row, columns=columns, most=MOST_COLUMNS
    )


def too_long(say: Say) -> str:
    """Return the sentence for a sheet with rows far below."""
    return say(_("There are cells far below the table. Copy your rows into a new template.")).format()
