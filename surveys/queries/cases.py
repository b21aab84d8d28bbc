"""By-catch and safety: returns that speak of a danger to an animal, a person or a pet, and traps left open for long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Prefetch, Q, QuerySet

from surveys.methods.looks import OVERDUE
from surveys.models import Finding, Opening, Query, Return, Verdict
from surveys.models.returns import DANGER
from surveys.permissions import Visitor, region_keys_of, returns_in_care_of
from surveys.queries.letters import overdue_openings
from surveys.vocabulary import Closing, QueryReason, Release, ReturnState

#: A trap that is late for so long is a case, and no longer a matter of a letter.
LATE_FOR_LONG = timedelta(days=1)
#: So many cases are listed that wait, and so many that were looked at before.
MOST_WAITING, MOST_LOOKED_AT = 40, 20
#: What nobody holds a return for is told while it is fresh: so long, and among so many of the latest returns.
FRESH, LATEST = timedelta(days=14), 20_000
#: Reasons that make a return a case.
DANGERS = (QueryReason.SAFETY, QueryReason.WELFARE, QueryReason.LIQUID_WORDS)


@dataclass(frozen=True, slots=True)
class Case:
    """One return that speaks of a danger: the checks that marked it, and the reasons for which it waits or waited.

    ``asked`` says whether its household was asked something.
    """

    report: Return
    checks: tuple[str, ...]
    reasons: tuple[QueryReason, ...]
    asked: bool


def cases_to_look_at(visitor: Visitor) -> list[Case]:
    """Return the newest urgent returns that wait in the visitor's regions. Five queries, the urgent returns that wait.

    Danger lies above every rank, so they are the top of the queue's index.
    """
    waiting = returns_in_care_of(visitor).filter(state=ReturnState.QUERIED, pressing__gte=DANGER)
    return _cases(_with_what_is_shown(waiting).order_by("-id")[:MOST_WAITING])


def cases_looked_at(visitor: Visitor, *, most: int = MOST_LOOKED_AT) -> list[Case]:
    """Return urgent returns that have a verdict, the latest decided first. Six queries.

    They are found from the urgent returns, which are few and have an index, region by region.
    """
    decided = Verdict.objects.filter(report__urgent=True, undo__isnull=True)
    regions = region_keys_of(visitor)
    if regions is not None:
        decided = decided.filter(report__region__in=regions)
    latest = list(decided.order_by("-id").values_list("report_id", flat=True)[:most])
    rows = _with_what_is_shown(Return.objects.filter(pk__in=latest)).exclude(state=ReturnState.QUERIED)
    order = {key: place for place, key in reversed(list(enumerate(latest)))}
    return sorted(_cases(rows), key=lambda case: order[case.report.pk])


def cases_to_write_about(visitor: Visitor, *, now: datetime) -> list[Case]:
    """Return the latest returns about traps left open or animals not let go, which wait for no verdict.

    Those whose household was not asked yet come first, then the newest. Six queries; at most ``LATEST`` returns are
    read, from the end of the table.
    """
    last = Return.objects.order_by("-id").values_list("id", flat=True).first() or 0
    fresh = returns_in_care_of(visitor).filter(pk__gt=last - LATEST, received_at__gte=now - FRESH)
    told = fresh.filter(Q(closing=Closing.LEFT_OPEN) | Q(release=Release.NOT_RELEASED)).exclude(
        Q(state=ReturnState.WITHDRAWN) | Q(urgent=True)
    )
    newest = _with_what_is_shown(told).order_by("-id")[:MOST_LOOKED_AT]
    return sorted(_cases(newest), key=lambda case: case.asked)


def cases_waiting(visitor: Visitor) -> int:
    """Return how many urgent returns wait in the visitor's regions. One query, those returns."""
    return returns_in_care_of(visitor).filter(state=ReturnState.QUERIED, pressing__gte=DANGER).count()


def traps_open_for_long(visitor: Visitor, *, now: datetime) -> QuerySet[Opening]:
    """Return the traps that have been late for a day, the longest open first. One query."""
    return overdue_openings(visitor, now=now).filter(set_at__lte=now - OVERDUE - LATE_FOR_LONG)


def _with_what_is_shown(returns: QuerySet[Return]) -> QuerySet[Return]:
    return returns.select_related("trap__site__region", "trap__site__household", "season").prefetch_related(
        Prefetch("findings", Finding.objects.exclude(marks=[]).order_by("id"), to_attr="marked"),
        Prefetch("queries", Query.objects.order_by("position")),
        "questions",
    )


def _cases(rows: Iterable[Return]) -> list[Case]:
    return [
        Case(
            report=row,
            checks=tuple(finding.check_id for finding in row.marked),  # type: ignore[attr-defined]
            reasons=tuple(reason for one in row.queries.all() if (reason := QueryReason(one.reason)) in DANGERS),
            asked=bool(row.questions.all()),
        )
        for row in rows
    ]
