"""Writing the rows of returns: one statement for a return with all its rows, COPY where there are many."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import Field, Model

from surveys.models import Catch, Group, Return
from surveys.queries.standing_statements import array_text, prepared_cursor
from surveys.services.known_findings import StoredFinding, are_known, forget_keys, keys_of
from surveys.vocabulary import AnswerKind

#: Returns from which COPY is worth its steps. Own choice, from tests/benchmarks/ingest.py.
COPY_FROM = 10


class StoredAnswer(NamedTuple):
    """One group's answer as it was stored, named as in :class:`surveys.models.Catch`."""

    group: Group
    answer: AnswerKind
    low: int | None
    high: int | None


@dataclass(slots=True)
class ReadyReturn:
    """A return that is ready to be stored, with its rows."""

    report: Return
    catches: list[StoredAnswer]
    findings: list[StoredFinding]


def new_return(*, now: datetime, **given: Any) -> Return:
    """Return a return that is not stored yet, received ``now``. ``given`` holds columns, and rows that they point to.

    It is what ``Return(**given)`` makes, which takes a tenth of the time of a whole sending for asking each of its
    seventy columns for its default.
    """
    values, pointed_to = {**_defaults(), "received_at": now, "moved_at": now}, {}
    for name, value in given.items():
        if isinstance(value, Model):
            pointed_to[name] = value
            values[f"{name}_id"] = value.pk
        elif name in values:
            values[name] = value
        elif value is not None:
            raise TypeError(f"A return has no column {name!r}.")
    report = Return(*values.values())
    report._state.fields_cache.update(pointed_to)
    return report


@cache
def _defaults() -> dict[str, Any]:
    """Return each column of a return, in their order, with its default. None of these is ever changed in place."""
    return {field.attname: field.get_default() for field in Return._meta.concrete_fields}


def insert_draft(draft: ReadyReturn) -> bool:
    """Insert one return with its rows, in one statement; it has its key afterwards.

    Returns False, and inserts nothing, where there is a return with this id. It waits for one that is being stored.
    """
    key, known = _insert(draft)
    if not known:  # the database is older than what this process remembers
        forget_keys()
        key, known = _insert(draft)
    if key is None:
        return False
    draft.report.pk = key
    _is_stored(draft.report)
    return True


def _insert(draft: ReadyReturn) -> tuple[int | None, bool]:
    """Return the key of a return that was inserted, if it was; and whether all of its findings are known."""
    keys = keys_of(draft.findings)
    draft.report.known_findings = [keys[one] for one in draft.findings]
    answered = zip(*_answered(draft.catches), strict=True) if draft.catches else ((),) * 4
    with prepared_cursor() as cursor:
        cursor.execute(
            _one_statement(),
            [len(keys), array_text(keys.values()), _as_json(draft.report), *map(array_text, answered)],
        )
        row: tuple[int | None, bool] = cursor.fetchone()
    return row


def insert_drafts(drafts: Sequence[ReadyReturn]) -> None:
    """Insert returns with their rows; they have their keys afterwards.

    Raises IntegrityError where one of their ids is taken: the transaction around is lost then.
    """
    found = {finding for draft in drafts for finding in draft.findings}
    keys = keys_of(found)
    if not are_known(keys.values()):
        forget_keys()
        keys = keys_of(found)
    reports = [draft.report for draft in drafts]
    for draft in drafts:
        draft.report.known_findings = [keys[one] for one in draft.findings]
    if len(drafts) < COPY_FROM:
        Return.objects.bulk_create(reports)
    else:
        _copy_returns(reports)
    _copy(Catch, ("report_id", "group_id", "answer", "low", "high"), (
        (draft.report.pk, *row) for draft in drafts for row in _answered(draft.catches)
    ))  # fmt: skip


def _copy_returns(reports: Sequence[Return]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence('surveys_return', 'id')) FROM generate_series(1, %s)", [len(reports)]
        )
        for report, (key,) in zip(reports, cursor.fetchall(), strict=True):
            report.pk = key
    names = [str(field.column) for field in _columns()]
    _copy(Return, ("id", *names), ((report.pk, *_values(report)) for report in reports))
    for report in reports:
        _is_stored(report)


def _copy(model: type[Any], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    names = ", ".join(map(connection.ops.quote_name, columns))
    with (
        connection.cursor() as cursor,
        connection.wrap_database_errors,
        cursor.copy(f"COPY {model._meta.db_table} ({names}) FROM STDIN") as copy,
    ):
        for row in rows:
            copy.write_row(row)


def _is_stored(report: Return) -> None:
    report._state.adding, report._state.db = False, connection.alias


@cache
def _columns() -> tuple[Field[Any, Any], ...]:
    """Return the columns of a return that are written: all but its key and what the database works out."""
    return tuple(field for field in Return._meta.concrete_fields if not field.primary_key and not field.generated)


@cache
def _reader() -> attrgetter[tuple[Any, ...]]:
    return attrgetter(*(field.attname for field in _columns()))


def _values(report: Return) -> tuple[Any, ...]:
    """Return what stands in the columns of a return. psycopg writes each kind that is among them by itself."""
    return _reader()(report)


def _answered(catches: Iterable[StoredAnswer]) -> list[tuple[Any, ...]]:
    return [(group.pk, kind.value, low, high) for group, kind, low, high in catches]


def _as_json(report: Return) -> str:
    """Return the columns of a return as one JSON text: floats to their last digit, moments with their offset."""
    return json.dumps({str(field.column): value for field, value in zip(_columns(), _values(report), strict=True)}, default=str)


@cache
def _one_statement() -> str:
    """Return the statement of :func:`insert_draft`: the return, then its rows, each of their columns as an array."""
    columns = [connection.ops.quote_name(str(field.column)) for field in _columns()]
    names, sent = ", ".join(columns), ", ".join(f"sent.{column}" for column in columns)
    return f"""
WITH sure AS (
    SELECT count(*) = %s AS known FROM surveys_knownfinding WHERE id = ANY(%s::int[])
), made AS (
    INSERT INTO surveys_return ({names}) SELECT {sent} FROM sure, jsonb_populate_record(NULL::surveys_return, %s) sent
    WHERE known
    ON CONFLICT (uuid) DO NOTHING
    RETURNING id
), answered AS (
    INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
    SELECT made.id, told.*
    FROM made, unnest(%s::bigint[], %s::text[], %s::int[], %s::int[]) AS told
)
SELECT (SELECT id FROM made), known FROM sure
"""  # noqa: S608  # names of columns, from the model
