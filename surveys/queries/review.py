"""The queue of a coordinator, and how much waits in it."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Count, Prefetch, QuerySet

from surveys.models import Query, Return, Season
from surveys.permissions import Visitor, returns_in_care_of
from surveys.vocabulary import ReturnState

#: Danger first, then probability x index damage, then the oldest.
QUEUE_ORDER = ("-urgent", "-rank", "id")


def queue(visitor: Visitor) -> QuerySet[Return]:
    """Return what waits in the visitor's regions, without an order. Two queries for a page."""
    return (
        returns_in_care_of(visitor)
        .filter(state=ReturnState.QUERIED)
        .select_related("trap__site__region", "trap__site__household", "habitat", "season")
        .prefetch_related(Prefetch("queries", Query.objects.order_by("position")))
    )


@dataclass(frozen=True, slots=True)
class Reason:
    """How many returns wait for one first reason."""

    reason: str
    returns: int


def reasons_in_queue(season: Season) -> list[Reason]:
    """Count the returns that were held in a season, by their first reason. One query."""
    rows = (
        Query.objects.filter(report__season=season, position=0)
        .values("reason")
        .annotate(returns=Count("id"))
        .order_by("-returns", "reason")
    )
    return [Reason(row["reason"], row["returns"]) for row in rows]


def states_of_season(season: Season) -> dict[str, int]:
    """Count a season's returns by state. One query."""
    rows = Return.objects.filter(season=season).values("state").annotate(n=Count("id")).order_by("state")
    return {row["state"]: row["n"] for row in rows}
