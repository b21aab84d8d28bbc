"""Reading the event log, and proving that its chain is whole."""

from __future__ import annotations

from django.db import connection


def broken_links() -> list[int]:
    """Return the numbers of events whose chain does not hold. One query, the whole log."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT id FROM (
                SELECT id, digest, event_digest(e) AS expected, previous, id - 1 AS before,
                       lag(digest, 1, repeat('0', 64)) OVER w AS last, lag(id, 1, 0::bigint) OVER w AS last_id
                FROM surveys_event e WINDOW w AS (ORDER BY id)
            ) AS chain
            WHERE digest <> expected OR previous <> last OR before <> last_id
            ORDER BY id
            """
        )
        return [row[0] for row in cursor.fetchall()]
