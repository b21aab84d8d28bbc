"""The one bridge from rows to the records of the methods."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from surveys.methods.records import Answer, Report
from surveys.models import Catch, Correction, Return, SitePoint
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import AnswerKind

#: Fields of a Report that are columns of a return under the same name.
SAME_NAME = tuple(
    name
    for name in Report.__slots__
    if name not in {"latitude", "longitude", "sent_at", "season_opens", "season_closes", "habitat", "answers"}
)


def answer_of(catch: Catch | Correction, code: str) -> Answer:
    """Return a stored catch (or its correction) as an answer of the methods. No query."""
    return Answer(group=code, kind=AnswerKind(str(catch.answer)), low=catch.low, high=catch.high)


def report_of(
    report: Return,
    *,
    answers: Iterable[Answer],
    point: SitePoint,
    lists: SeasonLists,
    habitat: str | None,
    corrected: Mapping[str, Any] | None = None,
) -> Report:
    """Return a row as the record that protocol check and screening read. No query.

    ``corrected`` replaces columns by their corrections in force.
    """
    fields = {name: getattr(report, name) for name in SAME_NAME}
    fields.update(corrected or {})
    return Report(
        latitude=point.latitude,
        longitude=point.longitude,
        sent_at=report.received_at,
        season_opens=lists.opens,
        season_closes=lists.closes,
        habitat=habitat,
        answers=tuple(answers),
        **fields,
    )
