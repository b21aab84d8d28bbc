"""What was sent about a trap, as rows of a name and its words: the columns stand under their own names."""

from __future__ import annotations

from typing import Any

from django.utils.text import capfirst

from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS
from surveys.web.words import say


def reported_rows(report: Any) -> list[tuple[str, str]]:
    """Return every closed answer and every measure that a return holds, in the protocol's order."""
    words = [(name, say(listed(value))) for name, listed in REPORTED_WORDS.items() if (value := getattr(report, name))]
    measures = [(name, f"{value:g}") for name in REPORTED_MEASURES if (value := getattr(report, name)) is not None]
    return [(capfirst(name.replace("_", " ")), said) for name, said in (*words, *measures)]
