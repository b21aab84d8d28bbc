"""Stored words in the reader's language: labels of closed lists, names of groups and habitats."""

from __future__ import annotations

from django.utils.translation import gettext

from surveys.vocabulary import Word


def say(text: str | Word | None) -> str:
    """Return a stored English text, or the label of a word, in the language of the page."""
    english = text.label if isinstance(text, Word) else text
    return gettext(english) if english else ""
