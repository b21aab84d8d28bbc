"""Rows of several models by one statement that is written out: for what each request asks.

Django makes the text of a query anew each time it is asked. For a page that is nothing; where hundreds of returns a
second ask the same, it takes longer than PostgreSQL's own work.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import islice
from typing import Any

from django.db import connection
from django.db.models import Field, Model


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
        """Return an object of the model from the next values of a row. What was left out is read when it is asked for."""
        values = list(islice(row, len(self._fields)))
        for place, converters in self._converters.items():
            for convert in converters:
                values[place] = convert(values[place], None, connection)
        return self.model.from_db(connection.alias, self._names, values)
