"""Returns as their senders and their coordinators may see them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import Prefetch, QuerySet

from surveys.errors import NotFound
from surveys.models import Catch, Correction, Finding, Query, Question, Return, Verdict
from surveys.permissions import Visitor, returns_in_care_of, returns_of
from surveys.vocabulary import ReturnState


def _with_everything(returns: QuerySet[Return]) -> QuerySet[Return]:
    """Add what a page about a return shows. Seven queries for any number of returns."""
    return returns.select_related(
        "season",
        "habitat",
        "region",
        "trap__site__region",
        "trap__site__household",
        "amends",
        "amended_by",
        "second_look",
    ).prefetch_related(
        Prefetch("catches", Catch.objects.select_related("group").order_by("group__position")),
        Prefetch("findings", Finding.objects.order_by("id")),
        Prefetch("queries", Query.objects.order_by("position")),
        Prefetch("questions", Question.objects.order_by("id")),
        Prefetch("verdicts", Verdict.objects.select_related("undo").order_by("id")),
        with_corrections(),
    )


def with_corrections() -> Prefetch[Any]:
    """Return what fetches the corrections of returns, without those whose verdict was taken back. One query."""
    standing = Correction.objects.filter(verdict__undo__isnull=True)
    return Prefetch("corrections", standing.select_related("group").order_by("id"))


#: Return, group, lowest and highest count.
Bounds = tuple[int, int, int | None, int | None]


def corrected_bounds(**of_returns: Any) -> list[Bounds]:
    """Return the corrected bounds in force of some returns, the latest of each group. One query."""
    latest = (
        Correction.objects.filter(report__state=ReturnState.CORRECTED, verdict__undo__isnull=True, **of_returns)
        .filter(group__isnull=False)
        .order_by("report_id", "group_id", "-id")
        .distinct("report_id", "group_id")
        .values_list("report_id", "group_id", "low", "high")
    )
    return [(report, group, low, high) for report, group, low, high in latest if group is not None]


def own_returns(visitor: Visitor) -> QuerySet[Return]:
    """Return the visitor's own returns with everything beside them. Eight queries for a page."""
    return _with_everything(returns_of(visitor))


def own_return(visitor: Visitor, uuid: UUID) -> Return:
    """Return one of the visitor's own returns. Eight queries."""
    report = own_returns(visitor).filter(uuid=uuid).first()
    if report is None:
        raise NotFound("There is no return of yours with this id.")
    return report


def newest_in_chain(report: Return) -> Return:
    """Return what stands in the place of a return now: itself, where nobody changed it. One query, and one a change."""
    while (after := Return.objects.filter(amends=report).first()) is not None:
        report = after
    return report


def return_in_care(visitor: Visitor, uuid: UUID) -> Return:
    """Return one return from the visitor's regions, for reading before a verdict. Seven queries."""
    report = _with_everything(returns_in_care_of(visitor)).filter(uuid=uuid).first()
    if report is None:
        raise NotFound("There is no return with this id in your regions.")
    return report


def returns_with_everything(keys: list[int]) -> QuerySet[Return]:
    """Return stored returns by key, as an answer to those who sent them. Seven queries."""
    return _with_everything(Return.objects.filter(pk__in=keys))


def awaits_second_look(report: Return) -> bool:
    """Say whether a blind second look at the return is still to come: until then nobody is shown the first one.

    No query; the return comes with everything beside it.
    """
    look = getattr(report, "second_look", None)
    return bool(look and look.looked_at is None and report.state in (ReturnState.STANDING, ReturnState.UPHELD))


def correction_in_force(report: Return, group: int) -> Correction | None:
    """Return the correction of a group's answer that is in force, if the return is corrected. No query.

    The return comes with its corrections (:func:`with_corrections`).
    """
    if report.state != ReturnState.CORRECTED:
        return None
    made = [one for one in report.corrections.all() if one.group_id == group]
    return made[-1] if made else None
