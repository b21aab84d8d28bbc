"""Screening: what has arrived, what is usual, and who waits for a person after a night."""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import InterfaceError, OperationalError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from surveys.methods.screening import Screening, ScreeningCase, ScreeningSettings, screen_reports
from surveys.methods.screening_rank import review_slots
from surveys.methods.usual import estimate_usual
from surveys.models import Finding, Query, Return, Season, UsualCatch
from surveys.queries.indices import published_run, usual_generation
from surveys.queries.screening import Case, baseline, region_frames, screening_cases, usable_effort
from surveys.queries.season_returns import catch_frame
from surveys.queries.seasons import SeasonLists, lists_of, season_by_code
from surveys.services.events import write_event
from surveys.services.worked import MOVED, move_return
from surveys.vocabulary import Mark, QueryKind, QueryReason, ReturnState

log = logging.getLogger(__name__)

#: Returns that a night screens again in one transaction.
BATCH = 300
#: Returns of a part that any worker may screen: whole batches, some seconds of work.
PART = 10 * BATCH

_SCORES = ("probability", "damage", "rank", "urgent", "certain", "screened_at", "screened_with")
#: What is saved of a return that begins to wait.
_HELD = (*MOVED, "urgent", "reason")


@dataclass(frozen=True, slots=True)
class _Reason:
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
            Return.objects.select_for_update(skip_locked=True, of=("self",))
            .filter(state=ReturnState.RECEIVED)
            .select_related("season__protocol", "trap__site__point", "habitat")
            .order_by("id")[:most]
        )
        if not rows:
            return 0
        for season, of_season in _by_season(rows).items():
            _screen_together_or_singly(season, of_season)
        held = [row.pk for row in rows if row.state == ReturnState.QUERIED]
        write_event(by=None, verb="returns screened", details={"returns": [row.pk for row in rows], "held": held})
    return len(rows)


def learn_what_is_usual(*, season: Season, generation: int) -> dict[str, Any]:
    """Estimate what is usual from the usable returns, once per generation."""
    if UsualCatch.objects.filter(season=season, generation=generation).exists():
        return {"generation": generation}
    lists = lists_of(season)
    rows = _usual_rows(lists, generation)
    with transaction.atomic(durable=True):
        UsualCatch.objects.bulk_create(rows, batch_size=2000)
        UsualCatch.objects.filter(season=season, generation__lt=generation).delete()
        write_event(by=None, verb="usual catch learned", subject=season, details={"generation": generation})
    return {"generation": generation}


def screen_again(
    *,
    season: Season,
    generation: int,
    still_ours: Callable[[], None],
    share: Callable[[list[dict[str, Any]]], None] | None = None,
) -> dict[str, Any]:
    """Screen again what stands, on what is usual now, and hold the most pressing within the budget.

    ``still_ours`` is called between batches; it may raise to stop. ``share`` has parts, each what
    :func:`screen_part` takes, done by all workers; None to do all here. Returns counts and the rank from which
    arriving returns will wait until the next night.
    """
    lists = lists_of(season)
    usual, effort = baseline(lists, generation), usable_effort(lists)
    numbers = list(_left(season, generation).order_by("id").values_list("id", flat=True))
    size = max(len(numbers), 1) if share is None else PART
    parts: list[dict[str, Any]] = [
        {"season": season.code, "generation": generation, "first": some[0], "last": some[-1], "effort": effort.tolist()}
        for some in (numbers[at : at + size] for at in range(0, len(numbers), size))
    ]
    if share is not None:
        share(parts)
    elif parts:
        screen_part(**parts[0], still_ours=still_ours)
    still_ours()
    frames = region_frames(lists, usual, effort)
    return {"screened": len(numbers), **_hold_within_budget(lists, generation, usual, frames)}


def returns_to_screen(season: Season) -> int:
    """Return how many returns of a season a night screens again. One query."""
    return Return.objects.filter(season=season, state__in=[ReturnState.STANDING, ReturnState.QUERIED]).count()


def screen_part(
    *,
    season: str,
    generation: int,
    first: int,
    last: int,
    effort: list[Any],
    still_ours: Callable[[], None],
    hold: Callable[[], None] = lambda: None,
) -> int:
    """Screen again the returns numbered ``first`` to ``last`` that this generation has not screened yet.

    ``effort`` (R, W, H) is that of all usable returns as the night's owner read it, so that every worker compares
    with the same. ``still_ours`` is called between batches, ``hold`` inside the transaction of each; both may raise to
    stop. Returns how many returns were screened here.
    """
    of_season = season_by_code(season)
    lists = lists_of(of_season)
    usual = baseline(lists, generation)
    frames = region_frames(lists, usual, np.array(effort, dtype=np.float64))
    own = _left(of_season, generation).filter(id__range=(first, last))
    own = own.select_related("season__protocol", "trap__site__point", "habitat").order_by("id")
    screened = 0
    while rows := list(own[:BATCH]):
        still_ours()
        cases = screening_cases(rows, lists=lists, usual=usual, frames=frames)
        with transaction.atomic(durable=True):
            hold()
            for case, screening in zip(cases, _screen(cases), strict=True):
                _score(case.row, screening, generation)
            Return.objects.bulk_update(rows, _SCORES)
            write_event(by=None, verb="returns scored", subject=of_season, details={"returns": len(rows)})
        screened += len(rows)
    return screened


def _screen_together_or_singly(season: Season, rows: list[Return]) -> None:
    """Screen a batch; where it falls over, screen each alone, so that one odd return holds up nobody."""
    try:
        with transaction.atomic():
            _screen_arrivals(season, rows)
        return
    except (OperationalError, InterfaceError):
        raise  # the database is away or full: that says nothing about a return, and all of them wait for the next time
    except Exception:
        log.exception("a batch of %d returns could not be screened together", len(rows))
    for row in rows:
        row.refresh_from_db(fields=["state", "version"])
        try:
            with transaction.atomic():
                _screen_arrivals(season, [row])
        except (OperationalError, InterfaceError):
            raise
        except Exception:
            log.exception("return %s could not be screened", row.pk)
            _hold_unscreened(row)


def _hold_unscreened(row: Return) -> None:
    row.refresh_from_db()
    sentence = "Screening could not read this return, so a person must. The log says what happened."
    Query.objects.create(
        report=row,
        kind=QueryKind.DETERMINISTIC,
        reason=QueryReason.NOT_SCREENED,
        position=0,
        probability=0.5,
        sentence=sentence,
        gentle_sentence="We could not read this return by machine. A coordinator will look at it.",
    )
    move_return(row, ReturnState.QUERIED)
    row.reason = QueryReason.NOT_SCREENED
    row.save(update_fields=_HELD)


def _by_season(rows: Iterable[Return]) -> dict[Season, list[Return]]:
    found: dict[Season, list[Return]] = defaultdict(list)
    for row in rows:
        found[row.season].append(row)
    return found


def _screen_arrivals(season: Season, rows: list[Return]) -> None:
    lists = lists_of(season)
    generation = usual_generation(season)
    usual = baseline(lists, generation)
    threshold = _threshold(season)
    queries: list[Query] = []
    cases = screening_cases(rows, lists=lists, usual=usual, frames=region_frames(lists, usual))
    for case, screening in zip(cases, _screen(cases), strict=True):
        _score(case.row, screening, generation)
        reasons = _reasons(screening, case.held)
        waits = screening.holds if threshold is None else screening.rank >= threshold
        if reasons and (waits or screening.urgent or screening.certain or case.held):
            queries.extend(_queries(case.row, reasons))
            move_return(case.row, ReturnState.QUERIED)
        else:
            move_return(case.row, ReturnState.STANDING)
    Query.objects.bulk_create(queries)
    Return.objects.bulk_update(rows, [*_SCORES, *MOVED, "reason"])


def _screen(cases: Sequence[Case]) -> list[Screening]:
    """Screen many returns at once; each gets what it would get alone."""
    return screen_reports(
        [
            ScreeningCase(
                case.report,
                case.neighbours,
                case.usual,
                case.region,
                case.row.trap_nights or 1.0,
                case.elsewhere,
                case.later,
            )
            for case in cases
        ],
        settings=ScreeningSettings(),
    )


def _score(row: Return, screening: Screening, generation: int) -> None:
    row.probability = min(max(screening.probability, 0.0), 1.0)
    row.damage = screening.damage
    row.rank = screening.rank
    row.urgent = row.urgent or screening.urgent
    row.certain = screening.certain
    row.screened_at = timezone.now()
    row.screened_with = generation


def _reasons(screening: Screening, held: Sequence[Finding]) -> list[_Reason]:
    """Return every reason once: danger first, then what screening says, then other protocol holds."""
    found = [
        _Reason(one.kind, one.reason, one.probability, one.sentence, one.gentle_sentence, one.evidence)
        for one in screening.suspicions
    ]
    found.extend(_protocol_reason(finding) for finding in held)
    danger = (QueryReason.SAFETY, QueryReason.WELFARE)
    ordered = sorted(found, key=lambda one: (one.reason not in danger, one.kind == QueryKind.PROTOCOL))
    unique = {one.reason: one for one in reversed(ordered)}
    return [one for one in ordered if unique[one.reason] is one]


def _protocol_reason(finding: Finding) -> _Reason:
    reason = QueryReason.PROTOCOL_HOLD
    if Mark.SAFETY in finding.marks:
        reason = QueryReason.SAFETY
    elif Mark.WELFARE in finding.marks:
        reason = QueryReason.WELFARE
    return _Reason(QueryKind.PROTOCOL, reason, 1.0, finding.sentence, finding.sentence, {"check": finding.check_id})


def _queries(row: Return, reasons: Sequence[_Reason]) -> list[Query]:
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


def _usual_rows(lists: SeasonLists, generation: int) -> list[UsualCatch]:
    frame = catch_frame(lists)
    n_windows, n_habitats = len(lists.windows), len(lists.habitats)
    rows: list[UsualCatch] = []
    for position, group in enumerate(lists.groups):
        known = frame.known(position)
        low, high = frame.low[position][known], frame.high[position][known]
        strata = len(lists.regions) * n_windows * n_habitats
        learned = estimate_usual(
            low=low.astype(np.float64),
            high=np.where(high < 0, np.inf, high).astype(np.float64),
            effort=frame.trap_nights[known],
            stratum=((frame.region * n_windows + frame.window) * n_habitats + frame.habitat)[known],
            strata=strata,
            planning_typical=group.planning_typical,
            planning_high=group.planning_high,
        )
        rows.extend(
            UsualCatch(
                season=lists.season,
                generation=generation,
                region=lists.regions[stratum // (n_windows * n_habitats)],
                window=lists.windows[stratum // n_habitats % n_windows],
                habitat=lists.habitats[stratum % n_habitats],
                group=group,
                mean=float(learned.mean[stratum]),
                size=float(learned.size[stratum]),
                site_shape=float(learned.site_shape[stratum]),
                returns=int(learned.returns[stratum]),
            )
            for stratum in range(strata)
        )
    return rows


def _left(season: Season, generation: int) -> QuerySet[Return]:
    """Return what stands or waits and has not been screened in this generation."""
    return Return.objects.filter(
        season=season, state__in=[ReturnState.STANDING, ReturnState.QUERIED], screened_with__lt=generation
    )


def _hold_within_budget(lists: SeasonLists, generation: int, usual: Any, frames: Any) -> dict[str, Any]:
    """Query the standing returns of the highest rank, as many as the budget still allows."""
    season = lists.season
    with transaction.atomic(durable=True):
        counted = Return.objects.filter(season=season).exclude(state=ReturnState.WITHDRAWN)
        slots = review_slots(counted.count(), season.review_budget)
        asked = counted.filter(queries__isnull=False).distinct().count()
        pressing = (
            Return.objects.select_for_update(of=("self",))
            .filter(season=season, state=ReturnState.STANDING, screened_with=generation)
            .filter(Q(urgent=True) | Q(rank__gt=0))
            .exclude(queries__isnull=False)
            .select_related("season__protocol", "trap__site__point", "habitat")
            .order_by("-urgent", "-certain", "-rank", "id")
        )
        # Safety and welfare come first and are never cut, however little of the budget is left.
        room = max(slots - asked, pressing.filter(urgent=True).count())
        held = _hold(list(pressing[:room]), lists, usual, frames)
        ranks = list(
            counted.filter(screened_with=generation, urgent=False).order_by("-rank").values_list("rank", flat=True)
        )
        cut = review_slots(len(ranks), season.review_budget)
        threshold = ranks[cut - 1] if cut and ranks[cut - 1] > 0 else None
        write_event(by=None, verb="returns held by rank", subject=season, details={"returns": held})
    return {"held": len(held), "slots": slots, "asked_before": asked, "threshold": threshold}


def _hold(chosen: Sequence[Return], lists: SeasonLists, usual: Any, frames: Any) -> list[int]:
    held: list[Return] = []
    queries: list[Query] = []
    cases = screening_cases(chosen, lists=lists, usual=usual, frames=frames) if chosen else []
    for case, screening in zip(cases, _screen(cases), strict=True):
        reasons = _reasons(screening, case.held)
        if reasons:
            queries.extend(_queries(case.row, reasons))
            move_return(case.row, ReturnState.QUERIED)
            held.append(case.row)
    Query.objects.bulk_create(queries)
    Return.objects.bulk_update(held, _HELD)
    return [row.pk for row in held]
