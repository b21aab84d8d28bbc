"""Returns as their senders and their coordinators may see them."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Prefetch, QuerySet

from surveys.errors import NotFound
from surveys.models import Catch, Correction, Finding, Query, Return, Verdict
from surveys.permissions import Visitor, returns_in_care_of, returns_of


def _with_everything(returns: QuerySet[Return]) -> QuerySet[Return]:
    """Add what a page about a return shows. Six queries for any number of returns."""
    return returns.select_related("season", "habitat", "trap__site__region", "trap__site__household").prefetch_related(
        Prefetch("catches", Catch.objects.select_related("group").order_by("group__position")),
        Prefetch("findings", Finding.objects.order_by("id")),
        Prefetch("queries", Query.objects.order_by("position")),
        Prefetch("verdicts", Verdict.objects.order_by("id")),
        Prefetch("corrections", Correction.objects.select_related("group").order_by("id")),
    )


def own_returns(visitor: Visitor) -> QuerySet[Return]:
    """Return the visitor's own returns with everything beside them. Six queries for a page."""
    return _with_everything(returns_of(visitor))


def own_return(visitor: Visitor, uuid: UUID) -> Return:
    """Return one of the visitor's own returns. Six queries."""
    report = own_returns(visitor).filter(uuid=uuid).first()
    if report is None:
        raise NotFound("There is no return of yours with this id.")
    return report


def return_in_care(visitor: Visitor, uuid: UUID) -> Return:
    """Return one return from the visitor's regions, for reading before a verdict. Six queries."""
    report = _with_everything(returns_in_care_of(visitor)).filter(uuid=uuid).first()
    if report is None:
        raise NotFound("There is no return with this id in your regions.")
    return report


def returns_with_everything(keys: list[int]) -> QuerySet[Return]:
    """Return stored returns by key, as an answer to those who sent them. Six queries."""
    return _with_everything(Return.objects.filter(pk__in=keys))


def correction_in_force(report: Return, group: int) -> Correction | None:
    """Return the latest correction of a group's answer, if the return is corrected. No query."""
    if report.state != "corrected":
        return None
    made = [one for one in report.corrections.all() if one.group_id == group]
    return made[-1] if made else None
