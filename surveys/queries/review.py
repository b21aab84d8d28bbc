"""The queue of a coordinator: what waits, in which order, how much of it, and for which reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, Prefetch, Q, QuerySet, Sum
from django.db.models.functions import Now

from surveys.models import Lease, Query, Region, Return, Season
from surveys.permissions import Visitor, regions_of, returns_in_care_of
from surveys.vocabulary import QueryReason, ReturnState

#: Danger first, then probability x index damage, then the oldest.
QUEUE_ORDER = ("-pressing", "id")
#: As many as one decides before the tea is cold.
FIRST = 20


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of the queue is wanted; every part may be left open. ``before`` is when it began to wait at the latest."""

    region: str = ""
    reason: QueryReason | None = None
    household: str = ""
    before: datetime | None = None


def queued(visitor: Visitor, wanted: Wanted = Wanted()) -> QuerySet[Return]:
    """Return what waits in the visitor's regions, without an order. No query of its own but the visitor's regions."""
    waiting = returns_in_care_of(visitor).filter(state=ReturnState.QUERIED)
    if wanted.region:
        # The key and no join, so that a region's own index is read.
        keys = list(Region.objects.filter(code=wanted.region).values_list("pk", flat=True))
        waiting = waiting.filter(region__in=keys)
    if wanted.reason is not None:
        waiting = waiting.filter(reason=wanted.reason)
    if wanted.household:
        waiting = waiting.filter(trap__site__household__alias__iexact=wanted.household)
    if wanted.before is not None:
        waiting = waiting.filter(moved_at__lte=wanted.before)
    return waiting


def queue(visitor: Visitor, wanted: Wanted = Wanted()) -> QuerySet[Return]:
    """Return what waits with what the list shows, without an order. Three queries for a page."""
    return (
        queued(visitor, wanted)
        .select_related("region", "trap__site__region", "trap__site__household", "habitat", "season")
        .prefetch_related(Prefetch("queries", Query.objects.order_by("position")))
    )


@dataclass(frozen=True, slots=True)
class Waiting:
    """How much waits: returns, urgent ones, and how far all of it is expected to move indices (1 is a whole one)."""

    returns: int
    urgent: int
    damage: float
    oldest: datetime | None
    of_the_first: float

    @property
    def share_of_first(self) -> int:
        """How much of the damage the first ones of the queue hold, in percent; 0 where all are first."""
        return round(100 * self.of_the_first / self.damage) if self.damage > 0 and self.returns > FIRST else 0


def how_much_waits(visitor: Visitor, wanted: Wanted = Wanted()) -> Waiting:
    """Count what waits and how much damage to the indices waits with it. Two queries, over the queue alone."""
    first = queued(visitor, wanted).order_by(*QUEUE_ORDER).values_list("rank", flat=True)[:FIRST]
    found = queued(visitor, wanted).aggregate(
        returns=Count("pk"),
        urgent=Count("pk", filter=Q(urgent=True)),
        damage=Sum("rank", default=0.0),
        oldest=Min("moved_at"),
    )
    return Waiting(**found, of_the_first=sum(first))


@dataclass(frozen=True, slots=True)
class Reason:
    """How many returns wait for one first reason."""

    reason: str
    returns: int


def reasons_waiting(visitor: Visitor, wanted: Wanted = Wanted()) -> list[Reason]:
    """Count what waits by its first reason, the most frequent first. One query, over the queue alone."""
    rows = queued(visitor, wanted).values("reason").annotate(n=Count("pk")).order_by("-n", "reason")
    return [Reason(row["reason"] or QueryReason.NOT_SCREENED.value, row["n"]) for row in rows]


def regions_in_care(visitor: Visitor) -> list[Region]:
    """Return the visitor's regions in their order. Two queries at most."""
    return list(regions_of(visitor).order_by("position", "code").distinct())


def lease_of(report: Return) -> Lease | None:
    """Return who reads a return at the moment, if anybody does. One query."""
    return Lease.objects.filter(report=report, until__gt=Now()).first()


def in_other_hands(reports: list[Return], visitor: Visitor) -> set[int]:
    """Return the keys of those returns that somebody else reads at the moment. One query."""
    taken = Lease.objects.filter(report__in=reports, until__gt=Now()).exclude(by=visitor.pk)
    return set(taken.values_list("report_id", flat=True))


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
