"""Screening of what has arrived: each return stands, or waits for a person."""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from celery.exceptions import SoftTimeLimitExceeded
from django.db import InterfaceError, OperationalError, transaction
from django.utils import timezone

from surveys.errors import Refusal
from surveys.methods.screening import Screening, ScreeningSettings, screen_reports
from surveys.models import Finding, Query, Return, Season
from surveys.queries.comparisons import comparison_numbers
from surveys.queries.indices import published_run, usual_generation
from surveys.queries.screening import Case, held_findings, screening_cases, with_what_is_read
from surveys.queries.seasons import lists_of, seasons
from surveys.services.events import write_event
from surveys.services.worked import MOVED, move_return, save_together
from surveys.vocabulary import Mark, QueryKind, QueryReason, ReturnState

log = logging.getLogger(__name__)

#: Columns that :func:`score_returns` sets.
SCORES = ("probability", "damage", "rank", "urgent", "certain", "screened_at", "screened_with", "compared_with")
#: Faults that say nothing about a return: the database is away, the time is up, the work is in other hands.
NOT_ITS_FAULT = (OperationalError, InterfaceError, SoftTimeLimitExceeded, Refusal, MemoryError)
#: What is saved of a return that begins to wait.
HELD = (*MOVED, "urgent", "reason")


@dataclass(frozen=True, slots=True)
class Reason:
    """A query in the making, from the protocol check or from screening."""

    kind: QueryKind
    reason: QueryReason
    probability: float
    sentence: str
    gentle_sentence: str
    evidence: dict[str, Any]


def screen_received(*, most: int) -> int:
    """Screen up to ``most`` returns that have just arrived: each stands or is queried. Returns how many."""
    with transaction.atomic(durable=True):
        rows = list(
            with_what_is_read(Return.objects.select_for_update(no_key=True, skip_locked=True, of=("self",)))
            .filter(state=ReturnState.RECEIVED)
            .order_by("id")[:most]
        )
        if not rows:
            return 0
        for season, of_season in _by_season(rows).items():
            for row in together_or_singly(of_season, partial(_screen_arrivals, season)):
                hold_unscreened(row)
        held = [row.pk for row in rows if row.state == ReturnState.QUERIED]
        write_event(by=None, verb="returns screened", details={"returns": [row.pk for row in rows], "held": held})
    return len(rows)


def together_or_singly(rows: Sequence[Return], screen: Callable[[list[Return]], None]) -> list[Return]:
    """Have a batch screened; where it falls over, each alone, so that one odd return holds up nobody.

    ``screen`` saves what it finds, inside the transaction that is open. Returns the rows that cannot be screened. A
    fault that says nothing about a return goes on: all of them wait for the next time.
    """
    try:
        with transaction.atomic():
            screen(list(rows))
        return []
    except NOT_ITS_FAULT:
        raise
    except Exception:
        log.exception("a batch of %d returns could not be screened together", len(rows))
    odd = []
    for row in rows:
        row.refresh_from_db(fields=["state", "version"])
        try:
            with transaction.atomic():
                screen([row])
        except NOT_ITS_FAULT:
            raise
        except Exception:
            log.exception("return %s could not be screened", row.pk)
            odd.append(row)
    return odd


def hold_unscreened(row: Return) -> None:
    """Let a locked return wait for a person, as screening cannot read it."""
    row.refresh_from_db()
    sentence = "Screening could not read this return, so a person must. The log says what happened."
    told = {
        "kind": QueryKind.DETERMINISTIC,
        "position": 0,
        "probability": 0.5,
        "sentence": sentence,
        "gentle_sentence": "We could not read this return by machine. A coordinator will look at it.",
    }
    Query.objects.get_or_create(report=row, reason=QueryReason.NOT_SCREENED, defaults=told)
    move_return(row, ReturnState.QUERIED)
    row.reason = QueryReason.NOT_SCREENED
    row.save(update_fields=HELD)


def _by_season(rows: Iterable[Return]) -> dict[Season, list[Return]]:
    found: dict[int, list[Return]] = defaultdict(list)
    for row in rows:
        found[row.season_id].append(row)
    return {season: found[season.pk] for season in seasons().filter(pk__in=found)}


def _screen_arrivals(season: Season, rows: list[Return]) -> None:
    generation = usual_generation(season)
    threshold = _threshold(season)
    queries: list[Query] = []
    cases = screening_cases(rows, lists=lists_of(season), generation=generation)
    held = held_findings(rows)
    for case, screening in zip(cases, score_returns(cases, generation), strict=True):
        findings = held[case.row.pk]
        reasons = reasons_to_ask(screening, findings)
        waits = screening.holds if threshold is None else screening.rank >= threshold
        if reasons and (waits or screening.urgent or screening.certain or findings):
            queries.extend(queries_about(case.row, reasons))
            move_return(case.row, ReturnState.QUERIED)
        else:
            move_return(case.row, ReturnState.STANDING)
    Query.objects.bulk_create(queries)
    save_together(rows, [*SCORES, *MOVED, "reason"])


def screen_cases(cases: Sequence[Case]) -> list[Screening]:
    """Screen many returns at once; each gets what it would get alone."""
    return screen_reports([case.against for case in cases], settings=ScreeningSettings())


def score_returns(cases: Sequence[Case], generation: int) -> list[Screening]:
    """Screen returns and write their scores onto their rows. Nothing is saved here."""
    screenings = screen_cases(cases)
    numbers = comparison_numbers(
        np.array([case.neighbourhood for case in cases], dtype=np.uint64),
        np.array([case.effort_step for case in cases], dtype=np.int64),
        np.array([screening.rank > 0.0 for screening in screenings], dtype=bool),
    )
    for case, screening, number in zip(cases, screenings, numbers.tolist(), strict=True):
        row = case.row
        row.probability = min(max(screening.probability, 0.0), 1.0)
        row.damage = screening.damage
        row.rank = screening.rank
        row.urgent = row.urgent or screening.urgent
        row.certain = screening.certain
        row.screened_at = timezone.now()
        row.screened_with = generation
        row.compared_with = number
    return screenings


def reasons_to_ask(screening: Screening, held: Sequence[Finding]) -> list[Reason]:
    """Return every reason once: danger first, then what screening says, then other protocol holds."""
    found = [
        Reason(one.kind, one.reason, one.probability, one.sentence, one.gentle_sentence, one.evidence)
        for one in screening.suspicions
    ]
    found.extend(_protocol_reason(finding) for finding in held)
    danger = (QueryReason.SAFETY, QueryReason.WELFARE)
    ordered = sorted(found, key=lambda one: (one.reason not in danger, one.kind == QueryKind.PROTOCOL))
    unique = {one.reason: one for one in reversed(ordered)}
    return [one for one in ordered if unique[one.reason] is one]


def _protocol_reason(finding: Finding) -> Reason:
    reason = QueryReason.PROTOCOL_HOLD
    if Mark.SAFETY in finding.marks:
        reason = QueryReason.SAFETY
    elif Mark.WELFARE in finding.marks:
        reason = QueryReason.WELFARE
    return Reason(QueryKind.PROTOCOL, reason, 1.0, finding.sentence, finding.sentence, {"check": finding.check_id})


def queries_about(row: Return, reasons: Sequence[Reason]) -> list[Query]:
    """Return the queries about a return, none saved yet, and write the first reason onto its row."""
    if any(one.kind == QueryKind.PROTOCOL and one.reason != QueryReason.PROTOCOL_HOLD for one in reasons):
        row.urgent = True
    row.reason = reasons[0].reason
    return [
        Query(
            report=row,
            kind=one.kind,
            reason=one.reason,
            position=position,
            probability=one.probability,
            sentence=one.sentence,
            gentle_sentence=one.gentle_sentence,
            evidence=one.evidence,
        )
        for position, one in enumerate(reasons)
    ]


def _threshold(season: Season) -> float | None:
    """Return the rank from which arriving returns wait, as the last night left it; None before one."""
    run = published_run(season)
    if run is None:
        return None
    threshold: float | None = run.parameters.get("screening", {}).get("threshold")
    return threshold
