"""Packing the catches of returns, so that a night reads each return in one piece."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db import connection, transaction

from surveys.models import Season
from surveys.queries.season_returns import order_key
from surveys.queries.seasons import lists_of
from surveys.services.events import write_event

#: Returns packed in one transaction.
BATCH = 20_000

_PACK = """
WITH packed AS (
    INSERT INTO surveys_packedcatch (report_id, order_key, answers)
    SELECT r.id, %(order_key)s, pack_answers(r.id, %(groups)s::bigint[])
    FROM (
        SELECT r.id FROM surveys_return r
        LEFT JOIN surveys_packedcatch p ON p.report_id = r.id AND p.order_key = %(order_key)s
        WHERE r.season_id = %(season)s AND r.id > %(after)s AND p.report_id IS NULL
        ORDER BY r.id LIMIT %(batch)s
    ) r
    ON CONFLICT (report_id) DO UPDATE SET order_key = EXCLUDED.order_key, answers = EXCLUDED.answers
    RETURNING report_id
)
SELECT count(*), max(report_id) FROM packed
"""


def pack_catches(*, season: Season, still_ours: Callable[[], None]) -> int:
    """Pack what has not been packed yet. ``still_ours`` is called between batches; it may raise to stop.

    A night without it gives the same figures, only later. Where there was something, PostgreSQL measures the counts of
    all seasons together, for its plans: by itself it measures each part of a table only. Returns how many returns were
    packed.
    """
    lists = lists_of(season)
    parameters: dict[str, Any] = {
        "season": season.pk,
        "order_key": order_key(lists),
        "groups": [group.pk for group in lists.groups],
        "batch": BATCH,
        "after": 0,
    }
    packed: int = 0
    while True:
        still_ours()
        with transaction.atomic(durable=True):
            with connection.cursor() as cursor:
                cursor.execute(_PACK, parameters)
                done, last = cursor.fetchone()
            if done:
                write_event(by=None, verb="catches packed", subject=season, details={"returns": done})
        packed += int(done)
        if done < BATCH:
            break
        parameters["after"] = last  # else each batch would look once more at all that was packed before it
    if packed:
        with connection.cursor() as cursor:
            cursor.execute("SELECT measure_counts()")
    return packed
