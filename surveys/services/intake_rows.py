"""Writing the rows of returns: one statement for what many of them hold, COPY where there are many."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db import connection

from surveys.models import Group, Return
from surveys.vocabulary import AnswerKind, Outcome

#: Returns from which COPY is worth its three steps. Own choice, from tests/benchmarks/ingest.py.
COPY_FROM = 50

#: Answers and findings in one statement, each column as an array.
_ROWS = """
WITH answered AS (
    INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
    SELECT * FROM unnest(%s::bigint[], %s::bigint[], %s::text[], %s::int[], %s::int[])
)
INSERT INTO surveys_finding (report_id, check_id, outcome, marks, sentence)
SELECT report_id, check_id, outcome, marks::varchar[], sentence
FROM unnest(%s::bigint[], %s::text[], %s::text[], %s::text[], %s::text[])
    AS found (report_id, check_id, outcome, marks, sentence)
"""


def insert_returns(reports: Sequence[Return]) -> None:
    """Insert returns, which have their keys afterwards. Raises IntegrityError where one of their ids is taken."""
    if len(reports) < COPY_FROM:
        Return.objects.bulk_create(reports)
        return
    fields = [field for field in Return._meta.concrete_fields if not field.generated]
    columns = ", ".join(connection.ops.quote_name(str(field.column)) for field in fields)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence('surveys_return', 'id')) FROM generate_series(1, %s)", [len(reports)]
        )
        for report, (key,) in zip(reports, cursor.fetchall(), strict=True):
            report.pk = key
        with connection.wrap_database_errors, cursor.copy(f"COPY surveys_return ({columns}) FROM STDIN") as copy:
            for report in reports:
                copy.write_row([_prepared(field, report) for field in fields])
    for report in reports:
        report._state.adding, report._state.db = False, connection.alias


def _prepared(field: Any, report: Return) -> Any:
    value = field.pre_save(report, True)
    return None if value is None else field.get_db_prep_save(value, connection)


def insert_rows(
    *,
    catches: Sequence[tuple[int, Group, AnswerKind, int | None, int | None]],
    findings: Sequence[tuple[int, str, Outcome, list[str], str]],
) -> None:
    """Insert the answers and findings of returns that are stored: the key of the return, then the row's own columns.

    One statement.
    """
    answered = [(key, group.pk, kind.value, low, high) for key, group, kind, low, high in catches]
    found = [(key, check, outcome.value, _array(marks), said) for key, check, outcome, marks, said in findings]
    if answered or found:
        with connection.cursor() as cursor:
            cursor.execute(_ROWS, [*_columns(answered, 5), *_columns(found, 5)])


def _columns(rows: Sequence[tuple[Any, ...]], many: int) -> list[list[Any]]:
    return [list(column) for column in zip(*rows, strict=True)] if rows else [[] for _ in range(many)]


def _array(words: Sequence[str]) -> str:
    """Return words of the vocabulary, which hold letters and underscores only, as PostgreSQL writes an array."""
    return "{" + ",".join(words) + "}"
