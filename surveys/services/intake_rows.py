"""Writing the rows of returns: one statement for a return with all its rows, COPY where there are many."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import Field

from surveys.models import Catch, Finding, Group, Return
from surveys.vocabulary import AnswerKind, Outcome

#: Returns from which COPY is worth its steps. Own choice, from tests/benchmarks/ingest.py.
COPY_FROM = 10


class StoredAnswer(NamedTuple):
    """One group's answer as it was stored, named as in :class:`surveys.models.Catch`."""

    group: Group
    answer: AnswerKind
    low: int | None
    high: int | None


class StoredFinding(NamedTuple):
    """What one check found, as it was stored, named as in :class:`surveys.models.Finding`."""

    check_id: str
    outcome: Outcome
    marks: list[str]
    sentence: str


@dataclass(slots=True)
class ReadyReturn:
    """A return that is ready to be stored, with its rows."""

    report: Return
    catches: list[StoredAnswer]
    findings: list[StoredFinding]


def insert_draft(draft: ReadyReturn) -> bool:
    """Insert one return with its rows, in one statement; it has its key afterwards.

    Returns False, and inserts nothing, where there is a return with this id. It waits for one that is being stored.
    """
    answered, found = _by_column(_answered(draft.catches)), _by_column(_found(draft.findings))
    with connection.cursor() as cursor:
        cursor.execute(_one_statement(), [*_values(draft.report), *answered, *found])
        row = cursor.fetchone()
    if row is None:
        return False
    draft.report.pk = row[0]
    _is_stored(draft.report)
    return True


def insert_drafts(drafts: Sequence[ReadyReturn]) -> None:
    """Insert returns with their rows; they have their keys afterwards.

    Raises IntegrityError where one of their ids is taken: the transaction around is lost then.
    """
    reports = [draft.report for draft in drafts]
    if len(drafts) < COPY_FROM:
        Return.objects.bulk_create(reports)
    else:
        _copy_returns(reports)
    _copy(Catch, ("report_id", "group_id", "answer", "low", "high"), (
        (draft.report.pk, *row) for draft in drafts for row in _answered(draft.catches)
    ))  # fmt: skip
    _copy(Finding, ("report_id", "check_id", "outcome", "marks", "sentence"), (
        (draft.report.pk, *row) for draft in drafts for row in _found(draft.findings)
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


def _found(findings: Iterable[StoredFinding]) -> list[tuple[Any, ...]]:
    return [(check, outcome.value, _array(marks), said) for check, outcome, marks, said in findings]


def _by_column(rows: Sequence[tuple[Any, ...]]) -> list[list[Any]]:
    """Return rows of four columns column by column."""
    return [list(column) for column in zip(*rows, strict=True)] if rows else [[] for _ in range(4)]


def _array(words: Sequence[str]) -> str:
    """Return words of the vocabulary, which hold letters and underscores only, as PostgreSQL writes an array."""
    return "{" + ",".join(words) + "}"


@cache
def _one_statement() -> str:
    """Return the statement of :func:`insert_draft`: the return, then its rows, each of their columns as an array."""
    names = ", ".join(connection.ops.quote_name(str(field.column)) for field in _columns())
    return f"""
WITH made AS (
    INSERT INTO surveys_return ({names}) VALUES ({", ".join(["%s"] * len(_columns()))})
    ON CONFLICT (uuid) DO NOTHING
    RETURNING id
), answered AS (
    INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
    SELECT made.id, told.*
    FROM made, unnest(%s::bigint[], %s::text[], %s::int[], %s::int[]) AS told
), found AS (
    INSERT INTO surveys_finding (report_id, check_id, outcome, marks, sentence)
    SELECT made.id, check_id, outcome, marks::varchar[], sentence
    FROM made, unnest(%s::text[], %s::text[], %s::text[], %s::text[])
        AS told (check_id, outcome, marks, sentence)
)
SELECT id FROM made
"""  # noqa: S608  # names of columns, from the model
