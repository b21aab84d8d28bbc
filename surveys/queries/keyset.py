"""Pages by key: stable while rows come in, and as fast at page 1,000 as at page 1."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

from django.db.models import Model, Q, QuerySet

Row = TypeVar("Row", bound=Model)


def keyset_slice(
    queryset: QuerySet[Row], order: Sequence[str], after: Sequence[Any] | None, limit: int
) -> tuple[list[Row], tuple[Any, ...] | None]:
    """Return up to ``limit`` rows after a key, and the key of the last if more follow. One query.

    ``order`` names columns without NULL, ``-`` for descending; the last one is unique.
    """
    fields = {field.name: field for field in queryset.model._meta.concrete_fields}
    empty = [name for name in order if getattr(fields.get(name.lstrip("-")), "null", False)]
    assert not empty, f"These columns may be NULL, which comes after no key: {empty}"
    if after is not None:
        queryset = queryset.filter(_not_before(order[0], after[0]), _beyond(order, after))
    rows = list(queryset.order_by(*order)[: limit + 1])
    more = len(rows) > limit
    rows = rows[:limit]
    return rows, tuple(getattr(rows[-1], name.lstrip("-")) for name in order) if more else None


def _not_before(first: str, value: Any) -> Q:
    """Return a bound on the first column alone: an index is entered there and not read from its beginning."""
    step = "lte" if first.startswith("-") else "gte"
    return Q(**{f"{first.lstrip('-')}__{step}": value})


def _beyond(order: Sequence[str], after: Sequence[Any]) -> Q:
    """Return the condition "comes after this key", for mixed directions: an OR over the columns."""
    found = Q()
    equal = Q()
    for name, value in zip(order, after, strict=True):
        column = name.lstrip("-")
        step = "lt" if name.startswith("-") else "gt"
        found |= equal & Q(**{f"{column}__{step}": value})
        equal &= Q(**{column: value})
    return found
