"""Locking many rows at once."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet


def lock_in_order(rows: QuerySet[Any]) -> list[int]:
    """Lock rows until commit, in the order of their keys as everybody does; return the keys. One query."""
    return list(rows.select_for_update(no_key=True, of=("self",)).order_by("pk").values_list("pk", flat=True))
