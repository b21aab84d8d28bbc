"""How a closed list of words becomes a column and a constraint."""

from __future__ import annotations

from typing import Any

from django.db import models

from surveys.vocabulary import Word


def word_column(words: type[Word], *, optional: bool = False, **options: Any) -> models.CharField[Any, Any]:
    """Return a text column that offers ``words``; an optional one holds NULL for "not answered"."""
    longest = max(len(value) for value in words.values())
    return models.CharField(
        max_length=max(longest, 24), choices=words.choices(), null=optional, blank=optional, **options
    )


def only_words(column: str, words: type[Word], name: str) -> models.CheckConstraint:
    """Return a constraint, named as a sentence, that lets only ``words`` (or NULL) into ``column``."""
    return models.CheckConstraint(condition=models.Q(**{f"{column}__in": words.values()}), name=name)
