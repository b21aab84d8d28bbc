"""What PostgreSQL does for a query: which tables it reads, by which way, how many rows of them, and what it sorts."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import connection

from tests.full_tables import LONG, TIMES


@dataclass(frozen=True, slots=True)
class Read:
    """Rows that one step of a plan went through: of ``table`` by ``way``, or of no table where it sorts."""

    way: str
    table: str
    rows: int


def faults_in(sql: str) -> list[Read]:
    """Carry a query out; return the steps that read many rows of a long table, or sort many rows."""
    long = long_tables()
    return [one for one in reads_of(sql) if one.rows >= LONG and (not one.table or one.table in long)]


def long_tables() -> set[str]:
    """Return the names of our tables that PostgreSQL believes to be long."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT relname FROM pg_class WHERE relkind = 'r' AND reltuples >= %s", [LONG])
        return {name.removeprefix("surveys_") for (name,) in cursor.fetchall() if name.startswith("surveys_")}


def reads_of(sql: str) -> list[Read]:
    """Carry a query out and return what its plan went through: every table that was read, and every sort."""
    with connection.cursor() as cursor:
        # A table that is read from end to end would have so many times its pages; a row that is fetched lies on one.
        cursor.execute(f"SET LOCAL seq_page_cost = {TIMES}; SET LOCAL jit = off")
        cursor.execute("SET LOCAL max_parallel_workers_per_gather = 0")
        cursor.execute(f"EXPLAIN (ANALYZE, TIMING OFF, BUFFERS OFF, SUMMARY OFF, FORMAT JSON) {sql}")
        found = cursor.fetchone()
    assert found is not None
    (plan,) = json.loads(found[0]) if isinstance(found[0], str) else found[0]
    return [read for step in _steps(plan["Plan"]) if (read := _read(step)) is not None]


def _steps(step: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield step
    for inner in step.get("Plans", ()):
        yield from _steps(inner)


def _read(step: dict[str, Any]) -> Read | None:
    kind, times = step["Node Type"], step["Actual Loops"]
    if kind in ("Sort", "Incremental Sort"):
        return Read(kind, "", round(sum(inner["Actual Rows"] * inner["Actual Loops"] for inner in step["Plans"])))
    if not step.get("Relation Name", "").startswith("surveys_"):
        return None
    passed = sum(step.get(f"Rows Removed by {why}", 0) for why in ("Filter", "Index Recheck", "Join Filter"))
    return Read(kind, step["Relation Name"].removeprefix("surveys_"), round((step["Actual Rows"] + passed) * times))


def shape_of(sql: str) -> str:
    """Return a query without its values: two with the same shape are the same query."""
    sql = re.sub(r"'(?:[^']|'')*'(?:::\w+)?", "?", sql)
    sql = re.sub(r"\b\d+(?:\.\d+)?\b", "?", sql)
    return re.sub(r"\?(?:\s*,\s*\?)+", "?", re.sub(r"\s+", " ", sql)).strip()
