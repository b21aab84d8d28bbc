"""The job table: asking, claiming under a lease and a fence, finishing. Celery only wakes.

Leases begin and end by the database's clock: those of the workers may differ.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, TypeVar

from django.conf import settings
from django.db import transaction
from django.db.models import F, Q
from django.db.models.functions import Now
from django.utils import timezone

from surveys.errors import Refusal
from surveys.models import Job
from surveys.queries.clock import database_now
from surveys.services.events import write_event
from surveys.vocabulary import JobKind, JobState

Done = TypeVar("Done")

#: A job that fails this often stays failed, where a coordinator sees it.
MOST_ATTEMPTS = 5


#: Jobs without a line in the log, which only grows: a sign of life each minute is a million and a half a year.
UNTOLD = frozenset({JobKind.CANARY})


class LostLease(Refusal):
    """Another worker has claimed the job since: whatever this one computed is thrown away."""

    code = "lost_lease"


def ask_for_job(*, kind: JobKind, key: str, parameters: Mapping[str, Any] | None = None) -> tuple[Job, bool]:
    """Write a job down, once per kind and key. Returns it and whether it is new."""
    with transaction.atomic(durable=True):
        job, new = Job.objects.get_or_create(kind=kind, key=key, defaults={"parameters": dict(parameters or {})})
        if new:
            _tell(job, "job asked for", {"kind": kind.value, "key": key})
    return job, new


def claim_job(*, job_id: int) -> Job | None:
    """Take a job that waits, or whose worker has let its lease run out. None when it is taken or done."""
    with transaction.atomic(durable=True):
        now = database_now()
        job = (
            Job.objects.select_for_update(no_key=True, skip_locked=True)
            .filter(Q(state=JobState.QUEUED) | Q(state=JobState.RUNNING, lease_until__lt=now), pk=job_id)
            .first()
        )
        if job is None:
            return None
        if job.attempts >= MOST_ATTEMPTS:
            job.state = JobState.FAILED
            job.finished_at = now
            job.problem = job.problem or f"It was begun {job.attempts} times and never ended."
            job.save()
            _tell(job, "job given up", {"attempts": job.attempts})
            return None
        job.state = JobState.RUNNING
        job.attempts += 1
        job.fence += 1
        job.done = 0
        job.lease_until = now + timedelta(seconds=settings.JOB_LEASE_S)
        job.started_at = job.started_at or now
        job.save()
        _tell(job, "job begun", {"attempt": job.attempts, "fence": job.fence})
    return job


def do_job(*, job_id: int, work: Callable[[Job], Done]) -> tuple[Job, Done] | None:
    """Claim a job and do its work; return both, None where it is taken, done, or taken over meanwhile.

    Where the work falls over, the job is put back in line and the fault goes on. Ending the job is the caller's, or
    part of the work where it belongs into one transaction with what the work leaves.
    """
    job = claim_job(job_id=job_id)
    if job is None:
        return None
    try:
        return job, work(job)
    except LostLease:
        return None
    except Exception:
        set_job_back(job=job, problem=traceback.format_exc(limit=5))
        raise


def report_progress(*, job: Job, done: int, total: int) -> None:
    """Write how far a job has come, which renews its lease; raise :class:`LostLease` if it is lost."""
    renewed = Job.objects.filter(pk=job.pk, fence=job.fence, state=JobState.RUNNING).update(
        done=done, total=total, lease_until=Now() + timedelta(seconds=settings.JOB_LEASE_S)
    )
    if not renewed:
        raise LostLease(f"Job {job.pk} is in other hands now, so this worker lets go of it.")


def hold_job(*, job: Job) -> Job:
    """Lock the job inside a transaction that is open; raise :class:`LostLease` if it is lost."""
    held = _ours(job)
    if held is None:
        raise LostLease(f"Job {job.pk} is in other hands now, so nothing of this worker is kept.")
    return held


def keep_stage(*, job: Job, stage: str, told: Mapping[str, Any]) -> None:
    """Write what a stage came to with its running job, inside the transaction that is open: it is not done again.

    Raises :class:`LostLease`.
    """
    held = hold_job(job=job)
    held.result = {**held.result, stage: dict(told)}
    held.save(update_fields=["result"])
    job.result = held.result


def finish_job(*, job: Job, result: Mapping[str, Any]) -> None:
    """Write a job down as done, with its result."""
    with transaction.atomic(durable=True):
        held = end_held_job(held=hold_job(job=job), result=result)
        _tell(held, "job done", {"attempt": held.attempts})


def end_held_job(*, held: Job, result: Mapping[str, Any]) -> Job:
    """Write a job that is held down as done, inside the transaction that is open. Its caller writes the event."""
    held.state = JobState.DONE
    held.done = held.total
    held.lease_until = None
    held.result = dict(result)
    held.finished_at = timezone.now()
    held.save()
    return held


def set_job_back(*, job: Job, problem: str) -> None:
    """Put a job that fell over back in line; after :data:`MOST_ATTEMPTS` it stays failed."""
    with transaction.atomic(durable=True):
        held = _ours(job)
        if held is None:
            return
        over = held.attempts >= MOST_ATTEMPTS
        held.state = JobState.FAILED if over else JobState.QUEUED
        held.lease_until = None
        held.problem = problem[:2000]
        held.finished_at = timezone.now() if over else None
        held.save()
        _tell(held, "job fell over", {"attempt": held.attempts})


def give_up_job(*, job: Job, problem: str) -> None:
    """Write a job down as failed at once, in words: doing it again would end the same way."""
    with transaction.atomic(durable=True):
        held = _ours(job)
        if held is None:
            return
        held.state = JobState.FAILED
        held.lease_until = None
        held.problem = problem[:2000]
        held.finished_at = timezone.now()
        held.save()
        _tell(held, "job given up", {"attempts": held.attempts})


def drop_old_jobs(*, kind: JobKind, days: int) -> int:
    """Delete finished jobs of a kind that leave nothing behind. Returns how many."""
    before = timezone.now() - timedelta(days=days)
    deleted, _ = Job.objects.filter(kind=kind, state=JobState.DONE, finished_at__lt=before, done=F("total")).delete()
    return deleted


def _ours(job: Job) -> Job | None:
    """Lock a running job that is still in the hands of this claim."""
    held = Job.objects.select_for_update(no_key=True).filter(pk=job.pk, fence=job.fence, state=JobState.RUNNING)
    return held.first()


def _tell(job: Job, verb: str, details: dict[str, Any]) -> None:
    if job.kind not in UNTOLD:
        write_event(by=None, verb=verb, subject=job, details=details)
