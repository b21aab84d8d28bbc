"""The ordinary sending of one return, stored by one statement: its rows, its answer and its line in the log.

Each question to PostgreSQL costs both sides about as much as a small piece of work, and a sending that asks ten of
them costs three times one that asks three. Whatever is out of the ordinary stores nothing here and goes the long way
in :mod:`surveys.services.intake`, which says what it is.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from django.db import IntegrityError, connection

from surveys.models import Account
from surveys.queries.standing_statements import array_text, prepared_cursor
from surveys.request_number import request_number
from surveys.services.intake_rows import ReadyReturn, answered_columns, columns_of_a_return, return_as_json
from surveys.services.known_findings import forget_keys, keys_of
from surveys.services.once import Kept, Once


def store_at_once(*, by: Account, draft: ReadyReturn, once: Once, kept: Kept) -> bool:
    """Store a return and the answer to its sending, in a transaction of its own; say whether that was done.

    Nothing is stored where its id or its key was used before, where the key is in use at this moment, or where a
    finding is known no more. Nor inside another transaction, which one of these would end.
    """
    if connection.in_atomic_block:
        return False
    keys = keys_of(draft.findings)
    draft.report.known_findings = [keys[one] for one in draft.findings]
    values: list[Any] = [
        once.lock_number,
        len(keys),
        array_text(keys.values()),
        return_as_json(draft.report),
        *map(array_text, answered_columns(draft.catches)),
        *(by.pk, once.route, once.key, once.fingerprint, kept.status, json.dumps(kept.body)),
        *(by.pk, json.dumps({"answers": len(draft.catches)}), request_number.get()),
    ]
    try:
        with prepared_cursor() as cursor:
            cursor.execute(_statement(), values)
            stored = cursor.fetchone() is not None
    except IntegrityError:
        return False
    if not stored:
        forget_keys()
    return stored


@cache
def _statement() -> str:
    columns = [connection.ops.quote_name(column) for column in columns_of_a_return()]
    names, sent = ", ".join(columns), ", ".join(f"sent.{column}" for column in columns)
    return f"""
WITH held AS (
    SELECT pg_try_advisory_xact_lock(%s::bigint) AS got
), sure AS (
    SELECT count(*) = %s::int AS known FROM surveys_knownfinding WHERE id = ANY(%s::int[])
), made AS (
    INSERT INTO surveys_return ({names})
    SELECT {sent} FROM held, sure, jsonb_populate_record(NULL::surveys_return, %s) sent WHERE got AND known
    RETURNING id
), answered AS (
    INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
    SELECT made.id, told.*
    FROM made, unnest(%s::bigint[], %s::text[], %s::int[], %s::int[]) AS told
), kept AS (
    INSERT INTO surveys_keptanswer (account_id, route, key, fingerprint, status, body, kept_at)
    SELECT %s::bigint, %s::text, %s::text, %s::text, %s::smallint, %s::jsonb, now() FROM made
), logged AS (
    INSERT INTO surveys_event (id, at, actor, verb, subject, subject_id, details, request_id, previous, digest)
    SELECT 0, now(), %s::bigint, 'return received', 'return', made.id, %s::jsonb, %s::text, '', '' FROM made
)
SELECT id FROM made
"""  # noqa: S608  # names of columns, from the model
