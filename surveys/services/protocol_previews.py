"""Trying a planned protocol on the returns of a season: a job that counts what would have been, and changes nothing."""

from __future__ import annotations

from time import monotonic
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext

from surveys.errors import Conflict, NotAllowed
from surveys.methods.protocol import Limits
from surveys.models import Account, Job, Protocol, SeasonPlan
from surveys.permissions import may_plan_seasons
from surveys.plans.preview import Tally
from surveys.plans.records import PlanDraft
from surveys.queries.season_plans import draft_of, plan_of, returns_to_try
from surveys.queries.seasons import limits_of, season_by_code
from surveys.services.events import write_event
from surveys.services.jobs import do_job, finish_job, report_progress
from surveys.services.waking import wake
from surveys.vocabulary import JobKind, JobState, PlanSection

#: Seconds between two writings of how far it is.
STEP_S = 0.5


def preview_key(plan: SeasonPlan, season: str) -> str:
    """Return the name under which trying a plan's protocol on a season stands in the job table."""
    return f"{plan.public_id}/{season}/{draft_of(plan).mark(PlanSection.PROTOCOL)}"


def ask_for_preview(*, by: Account, public_id: UUID, season: str) -> Job:
    """Ask for the protocol of a plan to be tried on the returns of a season. Once asked for, it is not done twice."""
    if not may_plan_seasons(by):
        raise NotAllowed(gettext("Seasons are planned by the coordinators of all regions."))
    plan = plan_of(by, public_id)
    limits = limits_of_draft(draft_of(plan))
    parameters = {"season": season_by_code(season).code, "limits": limits}
    with transaction.atomic(durable=True):
        job, new = Job.objects.get_or_create(
            kind=JobKind.PREVIEW, key=preview_key(plan, season), defaults={"parameters": parameters}
        )
        if job.state == JobState.FAILED:
            job.state, job.attempts, new = JobState.QUEUED, 0, True
            job.save()
        if new:
            write_event(by=by, verb="protocol preview asked for", subject=job, details={"season": season})
    if new:
        wake("resume_job", job.pk)
    return job


def limits_of_draft(draft: PlanDraft) -> dict[str, Any]:
    """Return the ranges that a plan would use; refuse those that the protocol check cannot read. One query at most."""
    stored = (
        Protocol.objects.filter(version=str(draft.plan.get("protocol") or "")).first() if not draft.limits else None
    )
    limits = dict(draft.limits) or (dict(stored.limits) if stored else {})
    try:
        Limits.from_mapping(limits)
    except (ValueError, KeyError, TypeError) as fault:
        words = gettext("The protocol of this plan is not complete yet. Finish its section, then try it.")
        raise Conflict(words) from fault
    return limits


def try_protocol(*, job_id: int) -> None:
    """Do the job of trying a protocol, unless somebody does already."""
    done = do_job(job_id=job_id, work=_tried)
    if done is not None:
        job, result = done
        finish_job(job=job, result=result)


def _tried(job: Job) -> dict[str, Any]:
    season = season_by_code(job.parameters["season"])
    before, after = limits_of(season.protocol), Limits.from_mapping(job.parameters["limits"])
    total, returns = returns_to_try(season)
    report_progress(job=job, done=0, total=total)
    tally, told = Tally(), monotonic()
    for one in returns:
        tally.add(one.report, before, after, usable=one.usable)
        if monotonic() - told >= STEP_S:
            told = monotonic()
            report_progress(job=job, done=tally.returns, total=total)
    return {**tally.as_plain(), "of": season.returns.count(), "before": before.version, "after": after.version}
