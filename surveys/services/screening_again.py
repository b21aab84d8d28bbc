"""A night's screening: look again at what is compared with something else now, and hold the most pressing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Q

from surveys.methods.screening_rank import review_slots
from surveys.models import Query, Return, Season
from surveys.queries.comparisons import AGAIN, due_returns
from surveys.queries.screening import held_findings, screening_cases, with_what_is_read
from surveys.queries.seasons import SeasonLists, lists_of, season_by_code
from surveys.queries.usual import Ints
from surveys.services.events import write_event
from surveys.services.screening import (
    HELD,
    SCORES,
    queries_about,
    reasons_to_ask,
    score_returns,
    screen_cases,
)
from surveys.services.worked import move_return, save_together
from surveys.vocabulary import ReturnState

#: Returns that a night screens again in one transaction.
BATCH = 500
#: Returns of a part that any worker may screen: whole batches, some seconds of work.
PART = 10 * BATCH

#: Has parts of the screening done, each what :func:`screen_part` takes, by all workers.
Share = Callable[[list[dict[str, Any]]], None]


def screen_again(
    *,
    season: Season,
    generation: int,
    still_ours: Callable[[], None],
    share: Callable[[int], Share | None],
    keep: Callable[[dict[str, Any]], None],
) -> dict[str, Any]:
    """Screen again what is compared with something else now, and hold the most pressing within the budget.

    ``still_ours`` is called between batches; it may raise to stop. ``share``, asked with the number of returns that
    are due, returns what has parts done by all workers; None to do all here. Returns counts, and the rank from which
    arriving returns will wait until the next night; ``keep`` is called with the same in the transaction that holds
    them. A night that is begun once more must not do this again: whoever comes after a return that was held just now is
    compared with something else, and would be screened a night earlier than in a calm night.
    """
    lists = lists_of(season)
    due = due_returns(lists, generation)
    parts = [{"season": season.code, "generation": generation, "returns": some.tolist()} for some in _cut(due, PART)]
    shared = share(len(due))
    if shared is not None:
        shared(parts)
    else:
        for part in parts:
            screen_part(**part, still_ours=still_ours)
    still_ours()
    return _hold_within_budget(lists, generation, len(due), keep)


def screen_part(
    *,
    season: str,
    generation: int,
    returns: list[int],
    still_ours: Callable[[], None],
    hold: Callable[[], None] = lambda: None,
) -> int:
    """Screen some returns (their keys, site by site), but those that a later generation has screened already.

    ``still_ours`` is called between batches, ``hold`` inside the transaction of each; both may raise to stop. Returns
    how many returns were screened here.
    """
    of_season = season_by_code(season)
    lists = lists_of(of_season)
    screened = 0
    for keys in _cut(np.array(returns, dtype=np.int64), BATCH):
        still_ours()
        due = Return.objects.filter(pk__in=keys.tolist(), state__in=AGAIN, screened_with__lte=generation)
        cases = screening_cases(list(with_what_is_read(due)), lists=lists, generation=generation)
        with transaction.atomic(durable=True):
            hold()
            score_returns(cases, generation)
            save_together([case.row for case in cases], SCORES)
            write_event(by=None, verb="returns scored", subject=of_season, details={"returns": len(cases)})
        screened += len(cases)
    return screened


def _cut(keys: Ints, size: int) -> Iterator[Ints]:
    return (keys[at : at + size] for at in range(0, len(keys), size))


def _hold_within_budget(
    lists: SeasonLists, generation: int, screened: int, keep: Callable[[dict[str, Any]], None]
) -> dict[str, Any]:
    """Query the standing returns of the highest rank, as many as the budget still allows."""
    season = lists.season
    with transaction.atomic(durable=True):
        counted = Return.objects.filter(season=season).exclude(state=ReturnState.WITHDRAWN)
        slots = review_slots(counted.count(), season.review_budget)
        asked = counted.filter(queries__isnull=False).values("pk").distinct().count()
        pressing = (
            Return.objects.select_for_update(of=("self",))
            .filter(season=season, state=ReturnState.STANDING)
            .filter(Q(urgent=True) | Q(rank__gt=0))
            .exclude(queries__isnull=False)
            .order_by("-urgent", "-certain", "-rank", "id")
        )
        # Safety and welfare come first and are never cut, however little of the budget is left.
        room = max(slots - asked, pressing.filter(urgent=True).count())
        held = _hold(list(with_what_is_read(pressing)[:room]), lists, generation)
        told = {
            "screened": screened,
            "held": len(held),
            "slots": slots,
            "asked_before": asked,
            "threshold": _threshold(season),
        }
        keep(told)
        write_event(by=None, verb="returns held by rank", subject=season, details={"returns": held})
    return told


def _threshold(season: Season) -> float | None:
    """Return the rank that as many returns reach as the budget allows; None where that is no rank at all."""
    ranked = Return.objects.filter(season=season, state__in=AGAIN, urgent=False)
    cut = review_slots(ranked.count(), season.review_budget)
    rank = ranked.order_by("-rank").values_list("rank", flat=True)[cut - 1 : cut].first() if cut else None
    return rank or None


def _hold(chosen: Sequence[Return], lists: SeasonLists, generation: int) -> list[int]:
    held: list[Return] = []
    queries: list[Query] = []
    findings = held_findings(chosen)
    order = sorted(range(len(chosen)), key=lambda at: (chosen[at].trap.site_id, chosen[at].pk))
    for some in _cut(np.array(order, dtype=np.int64), BATCH):
        cases = screening_cases([chosen[at] for at in some], lists=lists, generation=generation)
        for case, screening in zip(cases, screen_cases(cases), strict=True):
            reasons = reasons_to_ask(screening, findings[case.row.pk])
            if reasons:
                queries.extend(queries_about(case.row, reasons))
                move_return(case.row, ReturnState.QUERIED)
                held.append(case.row)
    Query.objects.bulk_create(queries, batch_size=2000)
    save_together(held, HELD)
    return [row.pk for row in held]
