"""The codebook page: every released table with its columns, and every closed list of words."""

from __future__ import annotations

import re
from typing import NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from surveys import vocabulary
from surveys.permissions import Rule
from surveys.queries.seasons import current_season, lists_of
from surveys.release_files.tables import TABLES, Column, Table
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, Word
from surveys.web.access import page


class ShownColumn(NamedTuple):
    """One column for the page: with the anchor and the title of its list of words, or empty ones."""

    column: Column
    anchor: str
    title: str


class ShownTable(NamedTuple):
    """One released table for the page; ``key`` names the columns that tell its rows apart."""

    table: Table
    anchor: str
    key: tuple[str, ...]
    columns: tuple[ShownColumn, ...]


class WordList(NamedTuple):
    """One closed list for the page: an anchor, a title, the columns that use it, its words."""

    anchor: str
    title: str
    columns: tuple[str, ...]
    words: tuple[Word, ...]


@page(Rule.ANYONE)
def codebook(request: HttpRequest) -> HttpResponse:
    """Show the codebook."""
    season = current_season()
    context = {"tables": released_tables(), "lists": word_lists(), "measures": REPORTED_MEASURES, "season": season}
    return render(request, "codebook.html", {**context, "asked": lists_of(season) if season else None})


def released_tables() -> list[ShownTable]:
    """Return every released table as the page shows it, in the order of a release."""
    return [
        ShownTable(table, f"table-{table.name}", table.key, tuple(_shown(column) for column in table.columns))
        for table in TABLES
    ]


def _shown(column: Column) -> ShownColumn:
    return ShownColumn(column, *((anchor_of(column.words), title_of(column.words)) if column.words else ("", "")))


def word_lists() -> list[WordList]:
    """Return every closed list of the vocabulary, in the order in which they are written down."""
    kinds = [kind for kind in vars(vocabulary).values() if _is_list(kind)]
    return [WordList(anchor_of(kind), title_of(kind), _columns_of(kind), tuple(kind)) for kind in kinds]


def anchor_of(kind: type[Word]) -> str:
    """Return the anchor of a list on the page."""
    return title_of(kind).lower().replace(" ", "-")


def title_of(kind: type[Word]) -> str:
    """Return a list's name as words: CountClass becomes "Count class"."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", kind.__name__).capitalize()


def _is_list(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, Word) and kind is not Word


def _columns_of(kind: type[Word]) -> tuple[str, ...]:
    reported = [name for name, words in REPORTED_WORDS.items() if words is kind]
    released = (column.name for table in TABLES for column in table.columns if column.words is kind)
    return tuple(dict.fromkeys((*reported, *released)))
