"""A night's screening: look again at what is compared with something else now, and hold the most pressing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Q, QuerySet

from surveys.methods.screening_rank import review_slots
from surveys.models import Query, Return, Season
from surveys.queries.comparisons import AGAIN, due_returns
from surveys.queries.screening import held_findings, screening_cases, with_what_is_read
from surveys.queries.seasons import SeasonLists, lists_of, season_by_code
from surveys.queries.usual import Ints
from surveys.services.events import write_event
from surveys.services.row_locks import lock_in_order
from surveys.services.screening import (
    HELD,
    SCORES,
    hold_unscreened,
    queries_about,
    reasons_to_ask,
    score_returns,
    screen_cases,
    together_or_singly,
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
    how many returns were screened here. One that cannot be screened waits for a person, and is tried each night.
    """
    of_season = season_by_code(season)
    lists = lists_of(of_season)
    screened = 0
    for keys in _cut(np.array(returns, dtype=np.int64), BATCH):
        still_ours()
        with transaction.atomic(durable=True):
            hold()
            due = Return.objects.filter(pk__in=keys.tolist(), state__in=AGAIN, screened_with__lte=generation)
            rows = list(with_what_is_read(_locked(due)))
            odd = together_or_singly(rows, partial(_score, lists, generation))
            for row in odd:
                if row.state == ReturnState.STANDING:
                    hold_unscreened(row)
            told = {"returns": len(rows) - len(odd)} | ({"unreadable": [row.pk for row in odd]} if odd else {})
            write_event(by=None, verb="returns scored", subject=of_season, details=told)
        screened += len(rows) - len(odd)
    return screened


def _locked(returns: QuerySet[Return]) -> QuerySet[Return]:
    """Lock returns, in the order in which everybody does; return them as they are to be read.

    That is a statement of its own: one that locks reads what it has waited for anew, but not what stands in other
    tables beside it, such as the place of a site that was forgotten just now.
    """
    return Return.objects.filter(pk__in=lock_in_order(returns))


def _score(lists: SeasonLists, generation: int, rows: Sequence[Return]) -> None:
    score_returns(screening_cases(rows, lists=lists, generation=generation), generation)
    save_together(rows, SCORES)


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
        standing = Return.objects.filter(season=season, state=ReturnState.STANDING)
        pressing = (
            standing.filter(Q(urgent=True) | Q(rank__gt=0))
            .exclude(queries__isnull=False)
            .order_by("-urgent", "-certain", "-rank", "id")
        )
        # Safety and welfare come first and are never cut, however little of the budget is left.
        room = max(slots - asked, pressing.filter(urgent=True).count())
        chosen = standing.filter(pk__in=list(pressing.values_list("pk", flat=True)[:room]))
        held = _hold(list(with_what_is_read(_locked(chosen))), lists, generation)
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
    """Let locked returns wait for the reasons that screening has; return the keys of those that do."""
    held: list[int] = []
    findings = held_findings(chosen)

    def hold(rows: list[Return]) -> None:
        waiting: list[Return] = []
        queries: list[Query] = []
        cases = screening_cases(rows, lists=lists, generation=generation)
        for case, screening in zip(cases, screen_cases(cases), strict=True):
            reasons = reasons_to_ask(screening, findings[case.row.pk])
            if reasons:
                queries.extend(queries_about(case.row, reasons))
                move_return(case.row, ReturnState.QUERIED)
                waiting.append(case.row)
        Query.objects.bulk_create(queries, batch_size=2000)
        save_together(waiting, HELD)
        held.extend(row.pk for row in waiting)

    in_order = sorted(chosen, key=lambda row: (row.trap.site_id, row.pk))
    for at in range(0, len(in_order), BATCH):
        for odd in together_or_singly(in_order[at : at + BATCH], hold):
            hold_unscreened(odd)
            held.append(odd.pk)
    return held
