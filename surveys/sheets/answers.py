"""Reading one cell that is not a moment: a count, a word of a closed list, a measure, a note."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta

from surveys.sheets.folding import fold, index_of, tidied
from surveys.sheets.records import Formula, Named, Odd, Say, SheetLists, Unreadable, Value
from surveys.sheets.words import _
from surveys.vocabulary import (
    CLASS_BOUNDS,
    MOST_ANIMALS,
    REPORTED_MEASURES,
    AnswerKind,
    CountClass,
    range_as_typed,
)

#: Letters of a note, as the table holds them.
NOTE_LETTERS = 500
#: Signs of a trap's printed code.
CODE_SIGNS = 6
#: Signs of any other cell; longer ones are no answer to anything.
MOST_SIGNS = 1000
_DASHES = frozenset("-‐‑‒–—−")
_RANGE = re.compile(r"^(\d{1,6})\s*(?:[-‐‑‒–—−]|\s[^\W\d_]{2,5}\s)\s*(\d{1,6})$")
_OPEN_ABOVE = re.compile(r"^(?:>=|≥)?\s*(\d{1,6})\s*\+?$")
_WHOLE = re.compile(r"^(\d{1,9})(?:[.,]0)?$", re.ASCII)
_DECIMAL = re.compile(r"^(-?\d{1,6}(?:[.,]\d{1,6})?)(?:\s*mm)?$", re.ASCII)
#: What spreadsheets make of 2-3 when they take it for a day: 2-Mar, 02. Mrz, 2/3/2026.
_DAY_LIKE = re.compile(
    r"^(\d{1,2}[-./ ]{1,2}[^\W\d_]{3,5}\.?|[^\W\d_]{3,5}[-./ ]{1,2}\d{1,2}"
    r"|\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}|\d{4}-\d\d-\d\d.*)$"
)
_BY_BOUNDS = {bounds: word for word, bounds in CLASS_BOUNDS.items()}
_RANGES = ", ".join(map(range_as_typed, CountClass))


def is_blank(value: Value) -> bool:
    """Say whether nothing stands in a cell."""
    return value is None or (isinstance(value, str) and not tidied(value[:MOST_SIGNS]))


def shown(value: Value) -> str:
    """Return a cell as a person sees it."""
    if isinstance(value, Formula | Odd):
        return value.text
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(" ", "minutes")
    if isinstance(value, time):
        return value.isoformat("minutes")
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return "" if value is None else str(value)


def refuse_formula(value: Value, how: str, say: Say) -> None:
    """Raise :class:`Unreadable` for a formula, as text too, and for a cell with an error in it."""
    if isinstance(value, Formula) or (isinstance(value, str) and value.lstrip().startswith("=")):
        raise Unreadable(say(_("A formula stands here.")), how)
    if isinstance(value, Odd):
        raise Unreadable(say(_("This cell holds an error or a tick, and not words.")), how)
    if isinstance(value, str) and len(value) > MOST_SIGNS:
        raise Unreadable(
            say(_("This cell holds {signs} signs, more than any answer needs.")).format(signs=len(value)), how
        )


class CountReader:
    """Reads the cells of the groups: a number, a class, none, not looked, could not tell, or nothing."""

    def __init__(self, lists: SheetLists, say: Say) -> None:
        self.say = say
        self._words = index_of(lists.answers)
        self._classes = index_of(Named(word.value, (word.label,)) for word in CountClass)

    def read(self, value: Value) -> int | str | None:
        """Return a count above 0, a class or another answer by code, or None where nothing is known."""
        if is_blank(value):
            return None
        refuse_formula(value, self.say(_("Put the number itself.")), self.say)
        if isinstance(value, datetime | date | time | timedelta):
            raise self._a_date(shown(value))
        if isinstance(value, int | float):
            return self._number(value)
        return self._text(tidied(str(value)))

    def _number(self, value: float) -> int | str:
        if not value == value // 1:
            raise self._unreadable(self.say(_("A count is a whole number.")))
        if value < 0:
            raise self._unreadable(self.say(_("A count cannot be below 0.")))
        if value > MOST_ANIMALS:
            raise Unreadable(
                self.say(_("This is more than a cup can hold.")), self.say(_("Count again, or write 128+."))
            )
        return int(value) or AnswerKind.NONE_SEEN.value

    def _text(self, text: str) -> int | str:
        if set(text) <= _DASHES:
            return AnswerKind.DID_NOT_LOOK.value
        if set(text) == {"?"}:
            return AnswerKind.COULD_NOT_TELL.value
        if found := _WHOLE.match(text):
            return self._number(int(found.group(1)))
        if _RANGE.match(text) or ((text[-1:] == "+" or text[:1] in ">≥") and _OPEN_ABOVE.match(text)):
            return self._range(text)
        folded = fold(text)
        code = self._words.get(folded) or self._classes.get(folded)
        if code and "?" not in text:  # "none?" is a doubt, and a doubt is never a zero
            return code
        if _DAY_LIKE.match(text):
            raise self._a_date(text)
        raise self._unreadable(self.say(_("We cannot read this as a count.")))

    def _range(self, text: str) -> str:
        found = _RANGE.match(text)
        above = _OPEN_ABOVE.match(text)
        bounds = (int(found.group(1)), int(found.group(2))) if found else (int(above.group(1)), None) if above else None
        word = _BY_BOUNDS.get(bounds) if bounds else None
        if word is None:
            raise Unreadable(
                self.say(_("This range is not one of ours.")),
                self.say(_("Count them, or use one of these: {ranges}.")).format(ranges=_RANGES),
            )
        return word.value

    def _a_date(self, text: str) -> Unreadable:
        return Unreadable(
            self.say(_("A date stands here. Spreadsheets turn 2-3 into a date.")),
            self.say(_("Make the cell a text cell. Then write the range again, such as 2-3 or 2 to 3.")),
        )

    def _unreadable(self, what: str) -> Unreadable:
        return Unreadable(
            what, self.say(_("Write a number, none, -, ?, or one of these: {ranges}.")).format(ranges=_RANGES)
        )


class WordReader:
    """Reads the cells of one closed list."""

    def __init__(self, listed: Sequence[Named], say: Say) -> None:
        self.say = say
        self._names = [one.names[0] for one in listed]
        self._index = index_of(listed)

    def read(self, value: Value) -> str:
        """Return the code of the word in a cell."""
        how = self.say(_("Use one of these: {words}.")).format(words="; ".join(self._names))
        refuse_formula(value, how, self.say)
        if is_blank(value):
            raise Unreadable(self.say(_("This cell is blank, and every row needs it.")), how)
        code = self._index.get(fold(shown(value)))
        if code is None:
            raise Unreadable(self.say(_("This word is not on the list.")), how)
        return code


def read_measure(value: Value, name: str, say: Say) -> float | None:
    """Return a measure with a point or a comma, or None where nothing stands."""
    how = say(_("Write digits only, such as {number}.")).format(number="75")
    if name.endswith("_mm"):
        how = say(_("Give millimetres as digits: 7.5 cm is 75."))
    if is_blank(value):
        return None
    refuse_formula(value, how, say)
    found = _DECIMAL.match(tidied(shown(value)))
    if not found or isinstance(value, datetime | date | time | timedelta):
        raise Unreadable(say(_("We cannot read this as a number.")), how)
    number = float(found.group(1).replace(",", "."))
    low, high = REPORTED_MEASURES[name]
    if not low <= number <= high:
        raise Unreadable(
            say(_("This is outside {low} to {high}.")).format(low=f"{low:g}", high=f"{high:g}"),
            say(_("Look at it once more.")),
        )
    return number


def read_note(value: Value, say: Say) -> str:
    """Return a note in one line."""
    if is_blank(value):
        return ""
    how = say(_("Keep it to {letters} letters.")).format(letters=NOTE_LETTERS)
    refuse_formula(value, say(_("Write the words themselves.")), say)
    note = tidied(shown(value))
    if len(note) > NOTE_LETTERS:
        raise Unreadable(say(_("The note has {letters} letters.")).format(letters=len(note)), how)
    return note


def read_trap(value: Value, codes: Mapping[str, str], alias: str, say: Say) -> str:
    """Return the id of the trap whose printed code stands in a cell."""
    how = say(_("Yours are: {codes}.")).format(codes=", ".join(sorted(codes)) or "-")
    refuse_formula(value, how, say)
    if is_blank(value):
        raise Unreadable(say(_("The trap code is missing.")), how)
    # Crockford's base 32 reads O as 0, and I and L as 1. A code of digits alone loses its zeros in a spreadsheet.
    typed = fold(shown(value)).upper().translate(str.maketrans("OIL", "011"))
    trap = codes.get(typed.zfill(CODE_SIGNS) if typed.isdigit() else typed)
    if trap is None:
        raise Unreadable(say(_("This is not the code of a trap of {alias}.")).format(alias=alias), how)
    return trap
