"""Matching what people type with what is meant: case, spaces and signs do not count."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping

from surveys.sheets.records import Named


def fold(text: str) -> str:
    """Return the letters and digits of a text alone, in one case."""
    return "".join(sign for sign in unicodedata.normalize("NFKC", text).casefold() if sign.isalnum())


def tidied(text: str) -> str:
    """Return a text in one line, without signs that cannot be seen and without space at its ends."""
    shown = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(shown.split())


def index_of(listed: Iterable[Named]) -> Mapping[str, str]:
    """Return the code for each folded name; where two entries share a name, codes win and then the first."""
    listed = tuple(listed)
    found: dict[str, str] = {}
    for one in listed:
        found.setdefault(fold(one.code), one.code)
    for one in listed:
        for name in one.names:
            found.setdefault(fold(name), one.code)
    found.pop("", None)
    return found


def column_letter(place: int) -> str:
    """Return the letter of a column, the first one being 0: A to Z, then AA."""
    letters = ""
    place += 1
    while place > 0:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
