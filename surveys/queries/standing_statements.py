"""Statements that stand: written out once, planned once for each connection. For what every sending asks.

Django makes the text of a query anew each time, and PostgreSQL plans it anew. For a page that is nothing; where
hundreds of returns a second ask the same, the two take longer than all other work.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cached_property
from itertools import islice
from typing import Any

import psycopg
from django.db import connection
from django.db.backends.utils import CursorWrapper
from django.db.models import Field, Model


def prepared_cursor() -> CursorWrapper:
    """Return a cursor whose statements PostgreSQL parses and plans once for each connection (``prepare_threshold``).

    Give values of the same types each time, or each mixture is prepared for itself; a list is best written by
    :func:`array_text`. Names of columns are written out in them: ``*`` would break when a column comes.
    Errors are Django's, as with its own cursors. Where statements are written down, one of these is what is returned:
    of a prepared one the text with its values is not known.
    """
    if connection.queries_logged:
        return connection.cursor()
    connection.close_if_health_check_failed()  # as Django's own do: the server may have been started anew
    connection.ensure_connection()
    cursor: CursorWrapper = connection._prepare_cursor(psycopg.Cursor(connection.connection))  # type: ignore[attr-defined]
    return cursor


def array_text(values: Iterable[Any]) -> str:
    """Return numbers, ids or words of the vocabulary (no blank or quote among them) as PostgreSQL writes an array."""
    return "{" + ",".join("NULL" if value is None else str(value) for value in values) + "}"


class Part:
    """The columns of one model within a statement, under the alias of its table there; some may be left out."""

    def __init__(self, model: type[Model], alias: str, *, without: frozenset[str] = frozenset()) -> None:
        self.model, self.alias, self.without = model, alias, without

    @cached_property
    def _fields(self) -> list[Field[Any, Any]]:
        return [field for field in self.model._meta.concrete_fields if field.attname not in self.without]

    @cached_property
    def _names(self) -> list[str]:
        return [field.attname for field in self._fields]

    @cached_property
    def _converters(self) -> dict[int, list[Any]]:
        found = {place: field.get_db_converters(connection) for place, field in enumerate(self._fields)}
        return {place: converters for place, converters in found.items() if converters}

    @property
    def columns(self) -> str:
        """What to write behind SELECT."""
        quoted = connection.ops.quote_name
        return ", ".join(f"{self.alias}.{quoted(str(field.column))}" for field in self._fields)

    def take(self, row: Iterator[Any]) -> Any:
        """Return an object of the model from the next values of a row. What was left out is read when asked for."""
        values = list(islice(row, len(self._fields)))
        for place, converters in self._converters.items():
            for convert in converters:
                values[place] = convert(values[place], None, connection)
        return self.model.from_db(connection.alias, self._names, values)
