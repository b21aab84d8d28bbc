"""Plans of seasons, what they are held against, and the returns on which a protocol version is tried."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext

from surveys.errors import NotAllowed, NotFound
from surveys.methods.records import Answer, Report
from surveys.models import Catch, Correction, Group, Habitat, Protocol, Region, Return, Season, SeasonPlan
from surveys.permissions import Visitor, may_plan_seasons
from surveys.plans.records import Known, PlanDraft
from surveys.queries.frames import report_of
from surveys.queries.seasons import SeasonLists, lists_of, seasons
from surveys.vocabulary import USABLE_STATES, AnswerKind, ReturnState, SeasonState

#: A protocol is tried on so many returns at most. Own choice: more would change no share by a percent.
MOST_TRIED = 20_000
_BATCH = 1000


def plans_of(visitor: Visitor) -> QuerySet[SeasonPlan]:
    """Return the plans there are, latest change first; nobody else's for anybody who may not plan. Two queries."""
    if not may_plan_seasons(visitor):
        raise NotAllowed(gettext("Seasons are planned by the coordinators of all regions."))
    return SeasonPlan.objects.filter(dropped_at__isnull=True).select_related("opened_as").order_by("-changed_at", "-pk")


def plan_of(visitor: Visitor, public_id: UUID) -> SeasonPlan:
    """Return one plan. Two queries."""
    plan = plans_of(visitor).filter(public_id=public_id).first()
    if plan is None:
        raise NotFound(gettext("There is no such plan. The list of plans shows those there are."))
    return plan


def draft_of(plan: SeasonPlan) -> PlanDraft:
    """Return a stored plan as the checks read it. No query."""
    return PlanDraft(plan.plan, plan.boundaries, plan.limits)


def known_on(today: date) -> Known:
    """Return what a plan is held against. Five queries."""
    in_use = Region.objects.exclude(season=None).filter(season__state__in=[SeasonState.OPEN, SeasonState.CLOSED])
    return Known(
        today=today,
        groups=frozenset(Group.objects.values_list("code", flat=True)),
        habitats=frozenset(Habitat.objects.values_list("code", flat=True)),
        protocols=dict(Protocol.objects.order_by("agreed_on", "pk").values_list("version", "limits")),
        season_codes=frozenset(Season.objects.values_list("code", flat=True)),
        regions=dict(in_use.distinct().values_list("code", "boundary")),
    )


def season_as_draft(season: Season) -> PlanDraft:
    """Return a season as the plan from which it could have been opened. Five queries."""
    lists = lists_of(season)
    plan = {
        "code": season.code,
        "title": season.title,
        "organiser": season.organiser,
        "contact": season.contact,
        "protocol": season.protocol.version,
        "opens_on": season.opens_on.isoformat(),
        "closes_on": season.closes_on.isoformat(),
        "time_zone": season.time_zone,
        "licence": season.licence,
        "review_budget": season.review_budget,
        "welcome": season.welcome,
        "tray_photos": season.tray_photos,
        "groups": [group.code for group in lists.groups],
        "habitats": [
            {"code": habitat.code, "weight": weight}
            for habitat, weight in zip(lists.habitats, lists.weights, strict=True)
        ],
        "windows": [
            {
                "code": window.code,
                "name": window.name,
                "first_day": window.first_day.isoformat(),
                "last_day": window.last_day.isoformat(),
            }
            for window in lists.windows
        ],
    }
    features = [
        {"type": "Feature", "properties": {"code": one.code, "name": one.name}, "geometry": one.boundary}
        for one in lists.regions
    ]
    return PlanDraft(plan, {"type": "FeatureCollection", "features": features})


def groups_to_choose() -> QuerySet[Group]:
    """Return every animal group that a season may ask for. One query."""
    return Group.objects.order_by("position", "code")


def habitats_to_choose() -> QuerySet[Habitat]:
    """Return every habitat that a season may have. One query."""
    return Habitat.objects.order_by("position", "code")


def safety_of_codes(codes: list[str]) -> dict[str, date | None]:
    """Return, for those codes that are regions already, the date of the latest safety text if any. One query."""
    rows = Region.objects.filter(code__in=codes).order_by("safety_pages__id")
    return dict(rows.values_list("code", "safety_pages__dated"))


def seasons_to_try_on() -> list[Season]:
    """Return the seasons that have returns, the newest first. One query."""
    return list(seasons().filter(Exists(Return.objects.filter(season=OuterRef("pk")))))


def left_open_in(season: Season) -> tuple[int, int]:
    """Return how many returns of a season wait for a person, and how many have not been screened. Two queries."""
    kept = Return.objects.filter(season=season)
    return kept.filter(state=ReturnState.QUERIED).count(), kept.filter(state=ReturnState.RECEIVED).count()


@dataclass(frozen=True, slots=True)
class Tried:
    """One stored return as the protocol check reads it, and whether its state lets it into the indices."""

    report: Report
    usable: bool


def returns_to_try(season: Season) -> tuple[int, Iterator[Tried]]:
    """Return how many returns a protocol is tried on, and those returns in batches. One query, then three a batch.

    Ids are random, so those that come first by id are a random sample, and always the same one.
    """
    kept = Return.objects.filter(season=season, trap__site__point__isnull=False).exclude(state=ReturnState.WITHDRAWN)
    keys = list(kept.order_by("uuid").values_list("pk", flat=True)[:MOST_TRIED])
    return len(keys), _tried(season, keys)


def _tried(season: Season, keys: list[int]) -> Iterator[Tried]:
    lists = lists_of(season)
    codes = {group.pk: group.code for group in lists.groups}
    habitats = {habitat.pk: habitat.code for habitat in lists.habitats}
    for start in range(0, len(keys), _BATCH):
        part = keys[start : start + _BATCH]
        answers, columns = _answers(part, codes), _corrected_columns(part)
        for row in Return.objects.filter(pk__in=part).select_related("trap__site__point").order_by("uuid"):
            yield _one(row, answers.get(row.pk, []), columns.get(row.pk), habitats, lists)


def _one(
    row: Return, answers: list[Answer], columns: dict[str, Any] | None, habitats: dict[int, str], lists: SeasonLists
) -> Tried:
    point = row.trap.site.point
    habitat = habitats.get(row.habitat_id) if row.habitat_id else None
    report = report_of(row, answers=answers, point=point, lists=lists, habitat=habitat, corrected=columns)
    return Tried(report, row.state in USABLE_STATES)


def _answers(keys: list[int], codes: dict[int, str]) -> dict[int, list[Answer]]:
    found: dict[int, list[Answer]] = {}
    rows = Catch.objects.filter(report__in=keys).values_list("report_id", "group_id", "answer", "low", "high")
    for report, group, kind, low, high in rows:
        if group in codes:
            found.setdefault(report, []).append(Answer(codes[group], AnswerKind(kind), low, high))
    return found


#: Corrected columns that are stored as text.
_MOMENTS = ("set_at", "emptied_at")


def _corrected_columns(keys: list[int]) -> dict[int, dict[str, Any]]:
    """Return the columns that a verdict in force has corrected, the latest value of each."""
    rows = Correction.objects.filter(
        report__in=keys, report__state=ReturnState.CORRECTED, verdict__undo__isnull=True
    ).exclude(column="")
    found: dict[int, dict[str, Any]] = {}
    for report, column, value in rows.order_by("id").values_list("report_id", "column", "value"):
        found.setdefault(report, {})[column] = datetime.fromisoformat(str(value)) if column in _MOMENTS else value
    return found
