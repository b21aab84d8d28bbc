"""The codebook page: every released column and every closed list of words."""

from __future__ import annotations

import re
from typing import NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from surveys import vocabulary
from surveys.codebook import RELEASED
from surveys.permissions import Rule
from surveys.queries.seasons import current_season, lists_of
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, Word
from surveys.web.access import page


class WordList(NamedTuple):
    """One closed list for the page: an anchor, a title, the columns that use it, its words."""

    anchor: str
    title: str
    columns: tuple[str, ...]
    words: tuple[Word, ...]


@page(Rule.ANYONE)
def codebook(request: HttpRequest) -> HttpResponse:
    """Show the codebook."""
    columns = [(column, anchor_of(column.words) if column.words else "") for column in RELEASED]
    season = current_season()
    context = {"columns": columns, "lists": word_lists(), "measures": REPORTED_MEASURES, "season": season}
    return render(request, "codebook.html", {**context, "asked": lists_of(season) if season else None})


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
    released = [column.name for column in RELEASED if column.words is kind and column.name not in reported]
    return (*reported, *released)
