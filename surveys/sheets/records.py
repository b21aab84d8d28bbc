"""What crosses the border: the lists that a sheet may speak of, and what was found in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from surveys.vocabulary import SheetKind

#: Sets an English text in the reader's language.
Say = Callable[[str], str]
#: Told how many rows have been read, and of how many.
Tell = Callable[[int, int], None]


def in_english(text: str) -> str:
    """Leave a text as it is."""
    return text


def quietly(read: int, rows: int) -> None:
    """Tell nobody how far the reading has come."""


@dataclass(frozen=True, slots=True)
class Formula:
    """A cell that holds a formula: shown, never worked out."""

    text: str


@dataclass(frozen=True, slots=True)
class Odd:
    """A cell that holds neither text, number nor moment: an error, or a yes-or-no mark."""

    text: str


#: One cell as it was read.
Value = str | int | float | datetime | date | time | timedelta | Formula | Odd | None


class CannotRead(Exception):
    """The file as a whole cannot be read; the sentence says why and what to do."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class Unreadable(Exception):
    """One cell cannot be read: what is wrong with it, and how to mend it."""

    def __init__(self, what: str, how: str) -> None:
        super().__init__(f"{what} {how}")
        self.what = what
        self.how = how


@dataclass(frozen=True, slots=True)
class Named:
    """One entry of a closed list: its code, and every name it is known by, the reader's own first."""

    code: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ListedTrap:
    """One trap that a row may be about: its printed code, its id, and the code of its habitat."""

    code: str
    id: str
    habitat: str


@dataclass(frozen=True, slots=True)
class SheetLists:
    """All that a sheet of one household may speak of.

    ``words`` has the closed words by column, ``titles`` the names of each column of ours, ``answers`` what may
    stand in place of a number, ``months`` the names of each month, ``example`` how the example row begins.
    ``standing`` gives the ids of the returns that are there, ``withdrawn`` the number taken back, both by
    "trap id/night".
    """

    household: str
    alias: str
    traps: tuple[ListedTrap, ...]
    groups: tuple[Named, ...]
    habitats: tuple[Named, ...]
    words: Mapping[str, tuple[Named, ...]]
    titles: Mapping[str, tuple[str, ...]]
    answers: tuple[Named, ...]
    months: tuple[tuple[str, ...], ...]
    example: tuple[str, ...]
    zone: str
    first_year: int
    last_year: int
    now: datetime
    standing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    withdrawn: Mapping[str, int] = field(default_factory=dict)

    @property
    def time_zone(self) -> ZoneInfo:
        """The season's time zone."""
        return ZoneInfo(self.zone)


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of a table as they stand in the file: row ``i`` of ``rows`` is row ``i + 1`` of the sheet."""

    kind: SheetKind
    rows: tuple[tuple[Value, ...], ...]
    merged: tuple[str, ...] = ()
    title: str = ""
    separator: str = ","


@dataclass(frozen=True, slots=True)
class SheetFault:
    """One thing to mend: row and column letter as the spreadsheet shows them, column title, what, and how."""

    row: int
    letter: str
    title: str
    found: str
    what: str
    how: str


@dataclass(frozen=True, slots=True)
class ReadyRow:
    """One row that could go in. ``answers`` has a count, a class or another answer for each group by code.

    ``known`` says that a return with this content is there already, so that sending it changes nothing.
    """

    row: int
    uuid: str
    known: bool
    trap: str
    set_at: str
    emptied_at: str
    habitat: str
    fields: Mapping[str, Any]
    answers: Mapping[str, int | str]


@dataclass(frozen=True, slots=True)
class SheetReading:
    """What a dry run found. ``left`` rows hold a trap and nothing else: they wait to be filled in."""

    kind: SheetKind
    refusal: str = ""
    rows: int = 0
    left: int = 0
    faults: tuple[SheetFault, ...] = ()
    ready: tuple[ReadyRow, ...] = ()
    marked: bytes | None = None
