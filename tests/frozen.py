"""Changing what an open season has frozen: only a test may, to see what follows."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection


@contextmanager
def thawed() -> Iterator[None]:
    """Let no trigger look while the test changes rows; needs the rights of the test database's owner."""
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("SET session_replication_role = origin")
