"""Planning a season: beginning a plan, saving its sections, dropping it, and opening the season it has become."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any
from uuid import UUID

from django.db import connection, transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotAllowed, NotFound, Stale
from surveys.models import Account, Protocol, Season, SeasonPlan
from surveys.permissions import may_plan_seasons
from surveys.plans.checks import can_open, check_plan
from surveys.plans.copying import empty_draft, next_year
from surveys.plans.records import SECTION_KEYS, PlanDraft
from surveys.queries.season_plans import draft_of, known_on, season_as_draft
from surveys.queries.seasons import season_by_code
from surveys.services.events import write_event
from surveys.services.seasons import counted, put_together
from surveys.vocabulary import PlanSection

#: A section as JSON; boundaries of five megabytes are the longest.
LONGEST_SECTION = 8 * 1024 * 1024


def begin_plan(*, by: Account, copy_of: str | None = None) -> SeasonPlan:
    """Begin a plan: empty, or from the code of a season there is, with its dates moved by a year."""
    _refuse_others(by)
    draft = empty_draft()
    if copy_of is not None:
        taken = frozenset(Season.objects.values_list("code", flat=True))
        draft = next_year(season_as_draft(season_by_code(copy_of)), taken=taken)
    with transaction.atomic(durable=True):
        plan = SeasonPlan.objects.create(plan=dict(draft.plan), boundaries=dict(draft.boundaries), by=by)
        write_event(by=by, verb="season plan begun", subject=plan, details={"copy_of": copy_of or ""})
    return plan


def save_section(
    *, by: Account, public_id: UUID, section: PlanSection, part: Mapping[str, Any], seen: str
) -> SeasonPlan:
    """Save one section as it stands, half-finished or not. ``seen`` is the mark of what it held when it was read.

    Raises :class:`Stale` and changes nothing where somebody else has saved the same section since; another section may
    have been saved meanwhile.
    """
    _refuse_others(by)
    _refuse_too_long(part)
    with transaction.atomic(durable=True):
        plan = _held(public_id)
        _refuse_opened(plan)
        before = draft_of(plan)
        if before.part(section) == dict(part):
            return plan
        if before.mark(section) != seen:
            raise Stale(gettext("Somebody else has saved this section since you opened it."))
        after = _with_part(before, section, part)
        plan.plan, plan.boundaries, plan.limits = dict(after.plan), dict(after.boundaries), dict(after.limits)
        _touch(plan)
        write_event(by=by, verb="season plan saved", subject=plan, details={"section": section.value})
    return plan


def _with_part(draft: PlanDraft, section: PlanSection, part: Mapping[str, Any]) -> PlanDraft:
    """Return the draft with one section replaced; what is not part of a section is let go."""
    kept = {key: value for key, value in draft.plan.items() if key not in SECTION_KEYS[section]}
    fresh = replace(draft, plan=kept | {key: part[key] for key in SECTION_KEYS[section] if key in part})
    if section == PlanSection.REGIONS:
        return replace(fresh, boundaries=part["boundaries"])
    if section == PlanSection.PROTOCOL:
        return replace(fresh, limits=part["limits"])
    return fresh


def drop_plan(*, by: Account, public_id: UUID) -> None:
    """Take a plan off the list; one that was opened stays."""
    _refuse_others(by)
    with transaction.atomic(durable=True):
        plan = _held(public_id)
        _refuse_opened(plan)
        plan.dropped_at = timezone.now()
        _touch(plan)
        write_event(by=by, verb="season plan dropped", subject=plan, details={})


def open_season(*, by: Account, public_id: UUID, version: int, today: date) -> Season:
    """Open the season of a plan, whole or not at all; a second asking finds it open and changes nothing.

    Raises :class:`Stale` where the plan is not the one that was read, :class:`Faulty` with all that is still to do.
    """
    _refuse_others(by)
    with transaction.atomic(durable=True):
        _one_opening_at_a_time()
        plan = _held(public_id)
        if plan.opened_as is not None:
            return plan.opened_as
        if plan.version != version:
            raise Stale(gettext("The plan was changed since you read it. Read it once more, then open the season."))
        draft = draft_of(plan)
        _refuse_unfinished(draft, today)
        season = put_together(plan=_as_opened(draft), boundaries=draft.boundaries)
        plan.opened_as = season
        _touch(plan)
        write_event(by=by, verb="season opened", subject=season, details={**counted(season), "plan": plan.pk})
    return season


def _one_opening_at_a_time() -> None:
    """Wait for whoever opens a season at this moment: codes of seasons, regions and versions are taken once."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('a season is opened'))")


def _refuse_unfinished(draft: PlanDraft, today: date) -> None:
    faults = check_plan(draft, known_on(today))
    if not can_open(faults):
        listed = tuple(Fault(f"/{one.section}", one.code, one.sentence) for one in faults if one.blocks)
        raise Faulty(gettext("The season cannot be opened yet. Its plan lists what is still to do."), faults=listed)


def _as_opened(draft: PlanDraft) -> dict[str, Any]:
    """Store the new protocol version if the plan has one, and return the mapping that names it."""
    plan = dict(draft.plan)
    if draft.limits:
        limits = dict(draft.limits)
        Protocol.objects.create(version=limits["version"], limits=limits, agreed_on=limits["agreed_on"])
        plan["protocol"] = limits["version"]
    return plan


def _held(public_id: UUID) -> SeasonPlan:
    plan = (
        SeasonPlan.objects.select_for_update(no_key=True).filter(public_id=public_id, dropped_at__isnull=True).first()
    )
    if plan is None:
        raise NotFound(gettext("There is no such plan. The list of plans shows those there are."))
    return plan


def _touch(plan: SeasonPlan) -> None:
    plan.version += 1
    plan.changed_at = timezone.now()
    plan.save()


def _refuse_opened(plan: SeasonPlan) -> None:
    if plan.opened_as_id is not None:
        raise Conflict(gettext("This plan was opened, so it is frozen. Begin a new plan as a copy of its season."))


def _refuse_others(by: Account) -> None:
    if not may_plan_seasons(by):
        raise NotAllowed(gettext("Seasons are planned by the coordinators of all regions."))


def _refuse_too_long(part: Mapping[str, Any]) -> None:
    if len(json.dumps(part)) > LONGEST_SECTION:
        raise Faulty(gettext("This is more than a plan can hold. Make it shorter."))
