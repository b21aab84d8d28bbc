"""The columns of a sheet, and how the row of titles is matched with them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from surveys.sheets.folding import column_letter, fold, index_of, tidied
from surveys.sheets.records import CannotRead, Grid, Named, Say, SheetFault, SheetLists, Value
from surveys.sheets.words import _

#: Version of the template: it moves when a column changes its meaning.
VERSION = 1
VERSION_WORDS = f"trapnight-sheet {VERSION}"
_VERSION = re.compile(r"trapnightsheet(\d{1,9})", re.ASCII)
#: The titles are looked for in so many rows from the top.
TITLES_WITHIN = 20
MOST_ROWS = 2500
MOST_COLUMNS = 120
#: Longest text that a fault shows of a cell.
SHOWN_SIGNS = 60


@dataclass(frozen=True, slots=True)
class Column:
    """One column of ours: code, title, whether every row needs it, and how to fill it in."""

    code: str
    title: str
    needed: bool
    hint: str


COLUMNS: tuple[Column, ...] = (
    Column("trap", _("Trap code"), True, _("The six signs on the field sheet, such as K7Q2M9.")),
    Column("set_day", _("Day set"), True, _("The day you opened the trap. Write it like 2 May 2026.")),
    Column("set_time", _("Time set"), True, _("The time you opened it. Write it like 17:30 or 5.30 pm.")),
    Column("emptied_day", _("Day emptied"), True, _("The day you emptied it. Write it like 3 May 2026.")),
    Column("emptied_time", _("Time emptied"), True, _("The time you emptied it. Write it like 17:15.")),
    Column("habitat", _("Habitat"), False, _("The place of the trap. Leave it blank if it is the trap's own.")),
    Column("mouth_mm", _("Cup width in mm"), False, _("Across the inside at the top. Most cups are about 75.")),
    Column("rim", _("Rim"), True, _("Where the rim was. Choose from the list.")),
    Column("cover", _("Cover"), True, _("If there was a rain cover. Choose from the list.")),
    Column("liquid", _("In the cup"), True, _("What was in the cup. Choose from the list.")),
    Column("trap_state", _("Trap when emptied"), True, _("How you found the trap. Choose from the list.")),
    Column("note", _("Note"), False, _("What else you saw. No names of people.")),
)
#: The column that a marked copy adds. It is known, and what stands in it is not read.
MEND = Named("what_to_mend", (_("What to mend"),))


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand in a grid: the row of titles (from 0), and the place of each column by code.

    ``mend`` is the place of the column that a marked copy added, or None.
    """

    titles_row: int
    mend: int | None
    places: Mapping[str, int]
    titles: Mapping[int, str]
    readable: bool
    faults: tuple[SheetFault, ...]


def find_layout(grid: Grid, lists: SheetLists, say: Say) -> Layout:
    """Return where each column stands, with a fault for each that is unknown, missing or there twice."""
    known = _known_columns(lists)
    row = _titles_row(grid.rows, known)
    if row is None:
        raise CannotRead(
            say(
                _(
                    "The row with the column titles was not found. One of the first {rows} rows must hold titles "
                    "such as {first} and {second}. Copy your rows into a new template."
                )
            ).format(rows=TITLES_WITHIN, first=say(COLUMNS[0].title), second=say(COLUMNS[1].title))
        )
    titles = {place: tidied(_text(cell)) for place, cell in enumerate(grid.rows[row]) if tidied(_text(cell))}
    places: dict[str, int] = {}
    faults: list[SheetFault] = []
    twice: list[str] = []
    mend: int | None = None
    for place, title in titles.items():
        code = known.get(fold(title))
        if code is None:
            faults.append(_unknown(row, place, title, say))
        elif code in places:
            twice.append(code)
            faults.append(_twice(row, place, title, column_letter(places[code]), say))
        elif code == MEND.code:
            mend = place
        else:
            places[code] = place
    missing = _missing(places, lists, row, say)
    old = _version_fault(grid.rows[:row], say)
    faults = [*old, *faults, *missing.values()]
    needed = {column.code for column in COLUMNS if column.needed}
    readable = not twice and not needed & set(missing) and not any(fault.found for fault in old)
    return Layout(row, mend, places, titles, readable, tuple(faults))


def folded_titles(lists: SheetLists) -> frozenset[str]:
    """Return every folded name of a column that is known: what a row of titles is recognised by."""
    return frozenset(_known_columns(lists))


def known_titles(lists: SheetLists) -> Mapping[str, str]:
    """Return the reader's title for each column, ours and those of the groups."""
    ours = {column.code: lists.titles.get(column.code, (column.title,))[0] for column in COLUMNS}
    return {**{group.code: group.names[0] for group in lists.groups}, **ours}


def _known_columns(lists: SheetLists) -> Mapping[str, str]:
    ours = [Named(column.code, (*lists.titles.get(column.code, ()), column.title)) for column in COLUMNS]
    mend = Named(MEND.code, (*lists.titles.get(MEND.code, ()), *MEND.names))
    return index_of((*ours, mend, *lists.groups))


def _titles_row(rows: Sequence[Sequence[Value]], known: Mapping[str, str]) -> int | None:
    """Return the row among the first ones that holds most titles, or None where no row holds two."""
    held = [
        len({known[folded] for cell in row if isinstance(cell, str) and (folded := fold(cell)) in known})
        for row in rows[:TITLES_WITHIN]
    ]
    best = max(held, default=0)
    return held.index(best) if best >= 2 else None


def _text(cell: Value) -> str:
    return "" if cell is None else str(cell)


def _unknown(row: int, place: int, title: str, say: Say) -> SheetFault:
    return SheetFault(
        row + 1,
        column_letter(place),
        title[:SHOWN_SIGNS],
        title[:SHOWN_SIGNS],
        say(_("This column is not one of the template.")),
        say(_("Take the column out, or give it the title that the template has.")),
    )


def _twice(row: int, place: int, title: str, first: str, say: Say) -> SheetFault:
    return SheetFault(
        row + 1,
        column_letter(place),
        title[:SHOWN_SIGNS],
        title[:SHOWN_SIGNS],
        say(_("This column is there twice: column {first} has the same title.")).format(first=first),
        say(_("Keep one of the two.")),
    )


def _missing(places: Mapping[str, int], lists: SheetLists, row: int, say: Say) -> dict[str, SheetFault]:
    titles = known_titles(lists)
    asked = [*(column.code for column in COLUMNS if column.needed), *(group.code for group in lists.groups)]
    return {
        code: SheetFault(
            row + 1,
            "",
            titles[code],
            "",
            say(_("The column {title} is missing.")).format(title=titles[code]),
            say(_("Put it back with this title. Leave a cell blank where you do not know.")),
        )
        for code in asked
        if code not in places
    }


def _version_fault(above: Sequence[Sequence[Value]], say: Say) -> list[SheetFault]:
    """Return a fault where the cell with the version is missing (nothing found) or names another version."""
    found = next(
        (match for row in above for cell in row if isinstance(cell, str) and (match := _VERSION.search(fold(cell)))),
        None,
    )
    if found is None:
        return [
            SheetFault(
                1,
                "A",
                say(_("Version")),
                "",
                say(_("The cell with the version of the template is missing.")),
                say(_("Write {version} into cell A1, above the titles.")).format(version=VERSION_WORDS),
            )
        ]
    if int(found.group(1)) == VERSION:
        return []
    return [
        SheetFault(
            1,
            "A",
            say(_("Version")),
            found.group(1),
            say(_("This sheet is version {found} of the template. We read version {ours}.")).format(
                found=found.group(1), ours=VERSION
            ),
            say(_("Fetch a new template, and copy your rows into it.")),
        )
    ]
