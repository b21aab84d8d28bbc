"""The one clock that leases go by, the database's: a worker whose own is ahead would take what is still held."""

from __future__ import annotations

from datetime import datetime

from django.db import connection


def database_now() -> datetime:
    """Return the moment at which the database began this statement. One query."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT statement_timestamp()")
        now: datetime = cursor.fetchone()[0]
    return now
