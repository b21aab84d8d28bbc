"""The parts of the table of counts, as a test sees them and puts them back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

#: Keys of returns in each part. Source: migration 0021.
ROOM = 1_000_000_000


def asked_of(statement: str, *values: object) -> list[tuple[object, ...]]:
    """Return the rows that a statement answers."""
    with connection.cursor() as cursor:
        cursor.execute(statement, list(values))
        return list(cursor.fetchall())


def parts() -> list[str]:
    """Return the tables that hold the counts, oldest first."""
    rows = asked_of(
        "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
        " WHERE inhparent = 'surveys_catch'::regclass ORDER BY substring(relname FROM '[0-9]+$')::int"
    )
    return [str(name) for (name,) in rows]


def part_of(report: int) -> str:
    """Return the one table in which the counts of a return are."""
    ((name,),) = asked_of("SELECT DISTINCT tableoid::regclass::text FROM surveys_catch WHERE report_id = %s", report)
    return str(name)


def last_key() -> int:
    """Return the key of a return that was drawn last; 0 before the first."""
    ((key,),) = asked_of("SELECT coalesce(pg_sequence_last_value('surveys_return_id_seq'), 0)")
    assert isinstance(key, int)
    return key


@contextmanager
def parts_as_before() -> Iterator[None]:
    """Drop the parts that are begun meanwhile, and let keys go on where they were. By the owner of the tables."""
    before, key = parts(), last_key()
    yield
    with connection.cursor() as cursor:
        for part in set(parts()) - set(before):
            cursor.execute(f"DROP TABLE {part}")
        cursor.execute("SELECT setval('surveys_return_id_seq', %s, %s)", [max(key, 1), key > 0])
