"""Reading the rows of a grid: every fault of every row, and the rows that could go in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, TypeVar

from surveys.sheets.answers import CountReader, WordReader, is_blank, read_measure, read_note, read_trap, shown
from surveys.sheets.columns import MOST_ROWS, SHOWN_SIGNS, Layout, known_titles
from surveys.sheets.folding import column_letter, fold, tidied
from surveys.sheets.identity import identity_of, night_key
from surveys.sheets.moments import Order, moment_of, month_names, prove_order, read_day, read_time
from surveys.sheets.records import (
    CannotRead,
    Grid,
    ReadyRow,
    Say,
    SheetFault,
    SheetLists,
    SheetReading,
    Tell,
    Unreadable,
    Value,
    quietly,
)
from surveys.sheets.words import EXAMPLE_WORD, _
from surveys.vocabulary import LOST_STATES

#: Faults of one row that are listed; a row with more is better copied anew.
MOST_FAULTS_A_ROW = 12
#: Columns that the template fills in by itself: a row that holds nothing else waits to be filled in.
PREFILLED = frozenset({"trap", "habitat", "mouth_mm"})
WORD_COLUMNS = ("rim", "cover", "liquid", "trap_state")
Read = TypeVar("Read")


def read_grid(grid: Grid, layout: Layout, lists: SheetLists, say: Say, tell: Tell = quietly) -> SheetReading:
    """Return every fault and every good row of a table; raise :class:`CannotRead` where there is no row to read."""
    listed = [place for place in range(layout.titles_row + 1, len(grid.rows)) if _holds_something(grid.rows[place])]
    example = {fold(word) for word in (*lists.example, EXAMPLE_WORD)}
    listed = [place for place in listed if fold(_first(grid.rows[place])) not in example]
    filled = [place for place in listed if not _waits(grid.rows[place], layout)]
    if len(filled) > MOST_ROWS:
        raise CannotRead(
            say(_("There are {rows} rows here. One file takes {most}. Share them out over more files.")).format(
                rows=len(filled), most=MOST_ROWS
            )
        )
    if not filled:
        raise CannotRead(say(_("No row is filled in yet. Fill in a row for each trap and night, then send the file.")))
    reader = _RowReader(grid, layout, lists, say)
    ready: list[ReadyRow] = []
    faults = [*layout.faults, *_merged(grid, layout, say)]
    for number, place in enumerate(filled, start=1):
        if layout.readable:
            row, found = reader.read(place)
            faults += found
            ready += [row] if row is not None else []
        tell(number, len(filled))
    return SheetReading(
        kind=grid.kind,
        rows=len(filled),
        left=len(listed) - len(filled),
        faults=tuple(faults),
        ready=tuple(ready),
    )


def _holds_something(row: tuple[Value, ...]) -> bool:
    return any(not is_blank(cell) for cell in row)


def _first(row: tuple[Value, ...]) -> str:
    return next((shown(cell) for cell in row if not is_blank(cell)), "")


def _waits(row: tuple[Value, ...], layout: Layout) -> bool:
    """Say whether a row holds only what the template fills in by itself."""
    own = {place for code, place in layout.places.items() if code in PREFILLED}
    known = set(layout.places.values())
    return not any(not is_blank(cell) for place, cell in enumerate(row) if place in known and place not in own)


def _merged(grid: Grid, layout: Layout, say: Say) -> list[SheetFault]:
    """Return a fault for each block of merged cells in the table: what they hide cannot be told."""
    found = []
    for block in grid.merged:
        first, last = (_row_of(corner) for corner in (block.split(":")[0], block.split(":")[-1]))
        if last > layout.titles_row:
            found.append(
                SheetFault(
                    max(first, layout.titles_row + 1),
                    "".join(sign for sign in block.split(":")[0] if sign.isalpha()),
                    "",
                    block,
                    say(_("The cells {block} are merged into one.")).format(block=block),
                    say(_("Split them, and write into each cell what belongs there.")),
                )
            )
    return found


def _row_of(corner: str) -> int:
    return int("".join(sign for sign in corner if sign.isdigit()) or 0)


@dataclass(frozen=True, slots=True)
class _Moments:
    """When a trap was set and when it was emptied; None where that could not be read."""

    set_at: datetime | None
    emptied_at: datetime | None


class _RowReader:
    """Reads one row after the other; remembers which trap's night stood in which row."""

    def __init__(self, grid: Grid, layout: Layout, lists: SheetLists, say: Say) -> None:
        self.grid, self.layout, self.lists, self.say = grid, layout, lists, say
        self._titles = known_titles(lists)
        self._codes = {trap.code: trap.id for trap in lists.traps}
        self._habitats = {trap.id: trap.habitat for trap in lists.traps}
        self._habitat_words = WordReader(lists.habitats, say)
        self._words = {name: WordReader(lists.words[name], say) for name in WORD_COLUMNS}
        self._counts = CountReader(lists, say)
        self._months = month_names(lists)
        self._order = self._proven_order()
        self._rows_of_nights: dict[str, int] = {}
        self._place = 0
        self._faults: list[SheetFault] = []
        self._bad: set[str] = set()

    def read(self, place: int) -> tuple[ReadyRow | None, list[SheetFault]]:
        """Return the row as it would go in, or None, and every fault in it."""
        self._place, self._faults, self._bad = place, [], set()
        self._extra_cells()
        trap = self._cell("trap", lambda cell: read_trap(cell, self._codes, self.lists.alias, self.say))
        moments = self._moments()
        habitat = self._habitat(trap)
        fields: dict[str, Any] = {
            name: word for name in WORD_COLUMNS if (word := self._cell(name, self._words[name].read)) is not None
        }
        mouth = self._cell("mouth_mm", lambda cell: read_measure(cell, "mouth_mm", self.say))
        note = self._cell("note", lambda cell: read_note(cell, self.say))
        fields |= {"mouth_mm": mouth} if mouth is not None else {}
        fields |= {"note": note} if note else {}
        answers = self._answers(fields.get("trap_state"))
        row = self._ready(trap, moments, habitat, fields, answers)
        return (None if self._faults else row), self._faults

    # --- one part of a row after the other ------------------------------------------------------

    def _moments(self) -> _Moments:
        set_at, emptied_at = self._moment("set"), self._moment("emptied")
        if set_at and emptied_at and emptied_at <= set_at:
            self._add(
                "emptied_day",
                self.say(_("The trap was emptied before it was set.")),
                self.say(_("Look at both days and times again.")),
            )
        return _Moments(set_at, emptied_at)

    def _moment(self, name: str) -> datetime | None:
        found = self._cell(f"{name}_day", lambda cell: read_day(cell, self._months, self._order, self.lists, self.say))
        clock = found[1] if found and found[1] and is_blank(self._value(f"{name}_time")) else None
        clock = clock or self._cell(f"{name}_time", lambda cell: read_time(cell, self.say))
        if found is None or clock is None:
            return None
        day = found[0]
        return self._cell(f"{name}_day", lambda _cell: self._instant(day, clock))

    def _instant(self, day: date, clock: time) -> datetime:
        return moment_of(day, clock, self.lists, self.say)

    def _habitat(self, trap: str | None) -> str:
        if is_blank(self._value("habitat")):
            return self._habitats.get(trap or "", "")
        return self._cell("habitat", self._habitat_words.read) or ""

    def _answers(self, state: str | None) -> dict[str, int | str]:
        groups = [group.code for group in self.lists.groups if group.code in self.layout.places]
        read = {code: self._cell(code, self._counts.read) for code in groups}
        found = {code: answer for code, answer in read.items() if answer is not None}
        if not found and not self._bad & set(groups) and state not in LOST_STATES:
            self._add(
                groups[0] if groups else "trap",
                self.say(_("No kind of animal is answered in this row.")),
                self.say(_("Fill in at least one. If you looked and saw none, write none.")),
            )
        return found

    def _ready(
        self,
        trap: str | None,
        moments: _Moments,
        habitat: str,
        fields: dict[str, Any],
        answers: dict[str, int | str],
    ) -> ReadyRow | None:
        set_at, emptied_at = moments.set_at, moments.emptied_at
        if trap is None or set_at is None or emptied_at is None:
            return None
        key = night_key(trap, set_at.date())
        first = self._rows_of_nights.setdefault(key, self._place + 1)
        if first != self._place + 1:
            self._add(
                "trap",
                self.say(_("Row {row} is about the same trap and the same night.")).format(row=first),
                self.say(_("Keep one of the two rows.")),
            )
        uuid = identity_of(
            household=self.lists.household,
            trap=trap,
            set_at=set_at,
            emptied_at=emptied_at,
            habitat=habitat,
            fields=fields,
            answers=answers,
            withdrawn=self.lists.withdrawn.get(key, 0),
        )
        there = self.lists.standing.get(key, ())
        if there and uuid not in there:
            self._add(
                "trap",
                self.say(_("This trap has a return for this night already, and it says something else.")),
                self.say(_("To change that return, open it under My returns. Then take this row out.")),
            )
        return ReadyRow(
            row=self._place + 1,
            uuid=uuid,
            known=uuid in there,
            trap=trap,
            set_at=set_at.isoformat(),
            emptied_at=emptied_at.isoformat(),
            habitat=habitat,
            fields=fields,
            answers=answers,
        )

    def _extra_cells(self) -> None:
        """A cell without a title above it: most often a comma in a number of a comma-separated file."""
        row = self.grid.rows[self._place]
        for place in range(len(row)):
            if place not in self.layout.titles and not is_blank(row[place]):
                self._note_fault(
                    column_letter(place),
                    "",
                    shown(row[place]),
                    self.say(_("This cell has no title above it.")),
                    self.say(_("Move it to its column. A comma in a number splits a cell in two: write 75.5.")),
                )
                return

    # --- cells and faults -----------------------------------------------------------------------

    def _value(self, code: str) -> Value:
        place = self.layout.places.get(code)
        row = self.grid.rows[self._place]
        return row[place] if place is not None and place < len(row) else None

    def _cell(self, code: str, read: Callable[[Value], Read]) -> Read | None:
        """Return what a reader makes of a cell, or None with a fault written down."""
        if code not in self.layout.places:
            return None
        try:
            return read(self._value(code))
        except Unreadable as fault:
            self._add(code, fault.what, fault.how)
            return None

    def _add(self, code: str, what: str, how: str) -> None:
        self._bad.add(code)
        place = self.layout.places.get(code)
        letter = column_letter(place) if place is not None else ""
        self._note_fault(letter, self._titles.get(code, code), shown(self._value(code)), what, how)

    def _note_fault(self, letter: str, title: str, found: str, what: str, how: str) -> None:
        if len(self._faults) < MOST_FAULTS_A_ROW:
            self._faults.append(
                SheetFault(self._place + 1, letter, title, tidied(found[: 4 * SHOWN_SIGNS])[:SHOWN_SIGNS], what, how)
            )

    def _proven_order(self) -> Order:
        places = [self.layout.places[code] for code in ("set_day", "emptied_day") if code in self.layout.places]
        return prove_order(row[place] for row in self.grid.rows for place in places if place < len(row))
