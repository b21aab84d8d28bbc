"""Blind second looks: what is drawn from, what waits for whom, and what the looks say of the review. No page in it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Count, Prefetch, QuerySet

from surveys.errors import NotFound
from surveys.methods.review_quality import (
    LOOKED_STATES,
    Agreement,
    Stratum,
    WrongShare,
    agreement,
    chosen_for_second_look,
    look_fraction,
    wrong_share,
)
from surveys.models import Catch, Finding, Return, Season, SecondLook
from surveys.permissions import Visitor, returns_in_care_of, second_looks_in_care_of
from surveys.queries.columns import copied_blocks, row_type
from surveys.vocabulary import Decision, ReturnState

#: Standing first, as pages and tables list them.
STATES = (ReturnState.STANDING, ReturnState.UPHELD)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A return that chance has chosen: its number, the number of its region, and its state."""

    report: int
    region: int
    state: ReturnState


_NOT_DRAWN = """
SELECT r.id, r.region_id, (r.state = %(upheld)s)::int FROM surveys_return r
WHERE r.season_id = %(season)s AND r.state = ANY(%(states)s)
  AND NOT EXISTS (SELECT 1 FROM surveys_secondlook l WHERE l.report_id = r.id)
"""
_NAMES = ("report", "region", "upheld")


def chosen_and_not_drawn(season: Season) -> list[Chosen]:
    """Return the returns that chance has chosen and that were not drawn yet, in the order of their fractions.

    One query that reads every standing and upheld return. The number decides and no id that a sender makes, so that
    nobody can send a return that is never looked at again; the seed is the season's code.
    """
    seed = season.code
    given = {"season": season.pk, "states": sorted(LOOKED_STATES), "upheld": ReturnState.UPHELD.value}
    row = row_type(list(zip(_NAMES, (">i8", ">i8", ">i4"), strict=True)))
    chosen = [
        Chosen(report, region, STATES[upheld])
        for block in copied_blocks(_NOT_DRAWN, given, row)
        for report, region, upheld in zip(*(block[name].tolist() for name in _NAMES), strict=True)
        if chosen_for_second_look(str(report), STATES[upheld], seed)
    ]
    return sorted(chosen, key=lambda one: look_fraction(str(one.report), seed))


def looks_to_give(looks: QuerySet[SecondLook]) -> QuerySet[SecondLook]:
    """Keep the looks that wait: not given yet, and the return still stands or is upheld. No query of its own."""
    return looks.filter(looked_at__isnull=True, report__state__in=LOOKED_STATES)


def waiting_by_region(season: Season) -> Counter[int]:
    """Count the looks of a season that wait, by the number of their region. One query."""
    rows = looks_to_give(SecondLook.objects.filter(season=season)).values("report__region").annotate(n=Count("pk"))
    return Counter({row["report__region"]: row["n"] for row in rows})


def second_looks_waiting(visitor: Visitor) -> list[UUID]:
    """Return the ids of the returns that wait for the visitor's second look. Two queries.

    Those that the visitor has decided about are left out. Chance decides the order, for each visitor anew: so those
    that are looked at first stand for all, and two people seldom begin with the same.
    """
    rows = (
        looks_to_give(second_looks_in_care_of(visitor))
        .exclude(report__verdicts__by=visitor.pk)
        .values_list("report_id", "report__uuid")
    )
    return [uuid for _, uuid in sorted(rows, key=lambda row: look_fraction(str(row[0]), f"account {visitor.pk}"))]


def second_look_in_care(visitor: Visitor, uuid: UUID) -> SecondLook:
    """Return a second look in the visitor's regions, given or not, with what was sent and nothing else. Four queries.

    Nothing that tells of the first look is read: no verdict, no reason to wait, no correction, no question.
    """
    sent = Return.objects.select_related("season", "habitat", "region", "trap__site__household").prefetch_related(
        Prefetch("catches", Catch.objects.select_related("group").order_by("group__position")),
        Prefetch("findings", Finding.objects.order_by("id")),
    )
    look = second_looks_in_care_of(visitor).filter(report__uuid=uuid).prefetch_related(Prefetch("report", sent)).first()
    if look is None:
        raise NotFound("There is no second look at a return with this id in your regions.")
    return look


@dataclass(frozen=True, slots=True)
class ReviewQuality:
    """How good the review of a season is, as far as the second looks tell.

    ``strata`` are the standing and the upheld returns. ``waiting`` looks are drawn and not given. ``corrected``
    returns are usable, too, and are not looked at again: ``wrong`` says nothing of them.
    """

    agreement: Agreement
    wrong: WrongShare
    strata: tuple[Stratum, ...]
    waiting: int
    corrected: int


def review_quality_of(season: Season, visitor: Visitor) -> ReviewQuality:
    """Return how good the review is in the visitor's regions. Three queries, and one for the visitor's regions.

    One of them counts the season's returns by state: some tenths of a second for a million.
    """
    return _quality(
        returns_in_care_of(visitor).filter(season=season), second_looks_in_care_of(visitor).filter(season=season)
    )


def review_quality(season: Season) -> ReviewQuality:
    """Return how good the review of a whole season is, as a release tells it. Three queries."""
    return _quality(Return.objects.filter(season=season), SecondLook.objects.filter(season=season))


def _quality(returns: QuerySet[Return], looks: QuerySet[SecondLook]) -> ReviewQuality:
    wanted = [*LOOKED_STATES, ReturnState.CORRECTED]
    now = dict(returns.filter(state__in=wanted).order_by().values_list("state").annotate(n=Count("pk")))
    given = list(
        looks.filter(looked_at__isnull=False)
        .order_by()
        .values_list("state", "opinion", "report__state")
        .annotate(n=Count("pk"))
    )
    strata = _strata(now, given)
    return ReviewQuality(
        agreement=agreement(_decisions(given)),
        wrong=wrong_share(strata),
        strata=strata,
        waiting=looks_to_give(looks).count(),
        corrected=now.get(ReturnState.CORRECTED, 0),
    )


def _strata(now: dict[str, int], given: Sequence[Any]) -> tuple[Stratum, ...]:
    """Return what was drawn from in each state: what is in it and was not looked at, and all that was looked at in it.

    A return that the look has sent back to the queue is in its state no more, and still tells of it.
    """
    usable, looked, wrong = defaultdict(int, now), Counter[str](), Counter[str]()
    for state, opinion, state_now, returns in given:
        usable[state_now] -= returns
        usable[state] += returns
        looked[state] += returns
        wrong[state] += returns if opinion != Decision.UPHELD else 0
    # Returns and looks are counted a moment apart: a look that came between must not outnumber its returns.
    return tuple(
        Stratum(state.value, max(usable[state], looked[state]), looked[state], wrong[state]) for state in STATES
    )


def _decisions(given: Sequence[Any]) -> list[list[int]]:
    """Return first against second decision. Only what was let stand is looked at again: the other rows are empty."""
    second = Counter[str]()
    for _, opinion, _, returns in given:
        second[opinion] += returns
    words = list(Decision)
    return [[second[word] if first == Decision.UPHELD else 0 for word in words] for first in words]
