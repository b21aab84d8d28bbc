"""Writing to the event log: each service writes exactly one event, as the last thing it does."""

from __future__ import annotations

import json
from typing import Any

from django.db import connection
from django.db.models import Model

from surveys.models import Account
from surveys.queries.standing_statements import prepared_cursor
from surveys.request_number import request_number


def hold_log() -> None:
    """Take the log's lock now, until commit: for who deletes what others point to while they hold it."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('surveys_event'))")  # as the table's own trigger does


def write_event(*, by: Account | None, verb: str, subject: Model | None = None, details: dict[str, Any]) -> None:
    """Append one event. It holds the log's lock until commit, so call it last.

    ``details`` holds ids, words and numbers only: never a name, an address or a place.
    """
    with prepared_cursor() as cursor:
        cursor.execute(
            "INSERT INTO surveys_event"
            " (id, at, actor, verb, subject, subject_id, details, request_id, previous, digest)"
            " VALUES (0, now(), %s, %s, %s, %s, %s::jsonb, %s, '', '')",
            [
                by.pk if by else None,
                verb,
                subject._meta.model_name if subject is not None else "",
                subject.pk if subject is not None else None,
                json.dumps(details),
                request_number.get(),
            ],
        )
