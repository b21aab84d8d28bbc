"""The job table: asking, claiming under a lease and a fence, finishing. Celery only wakes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from surveys.errors import Refusal
from surveys.models import Job
from surveys.services.events import write_event
from surveys.vocabulary import JobKind, JobState

#: A job that fails this often stays failed, where a coordinator sees it.
MOST_ATTEMPTS = 5


class LostLease(Refusal):
    """Another worker has claimed the job since: whatever this one computed is thrown away."""

    code = "lost_lease"


def ask_for_job(*, kind: JobKind, key: str, parameters: Mapping[str, Any] | None = None) -> tuple[Job, bool]:
    """Write a job down, once per kind and key. Returns it and whether it is new."""
    with transaction.atomic(durable=True):
        job, new = Job.objects.get_or_create(kind=kind, key=key, defaults={"parameters": dict(parameters or {})})
        if new:
            write_event(by=None, verb="job asked for", subject=job, details={"kind": kind.value, "key": key})
    return job, new


def claim_job(*, job_id: int) -> Job | None:
    """Take a job that waits, or whose worker has let its lease run out. None when it is taken or done."""
    now = timezone.now()
    with transaction.atomic(durable=True):
        job = (
            Job.objects.select_for_update(skip_locked=True)
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
            write_event(by=None, verb="job given up", subject=job, details={"attempts": job.attempts})
            return None
        job.state = JobState.RUNNING
        job.attempts += 1
        job.fence += 1
        job.done = 0
        job.lease_until = now + timedelta(seconds=settings.JOB_LEASE_S)
        job.started_at = job.started_at or now
        job.save()
        write_event(by=None, verb="job begun", subject=job, details={"attempt": job.attempts, "fence": job.fence})
    return job


def report_progress(*, job: Job, done: int, total: int) -> None:
    """Write how far a job has come, which renews its lease; raise :class:`LostLease` if it is lost."""
    renewed = Job.objects.filter(pk=job.pk, fence=job.fence, state=JobState.RUNNING).update(
        done=done, total=total, lease_until=timezone.now() + timedelta(seconds=settings.JOB_LEASE_S)
    )
    if not renewed:
        raise LostLease(f"Job {job.pk} is in other hands now, so this worker lets go of it.")


def hold_job(*, job: Job) -> Job:
    """Lock the job inside a transaction that is open; raise :class:`LostLease` if it is lost."""
    held = Job.objects.select_for_update().filter(pk=job.pk, fence=job.fence, state=JobState.RUNNING).first()
    if held is None:
        raise LostLease(f"Job {job.pk} is in other hands now, so nothing of this worker is kept.")
    return held


def finish_job(*, job: Job, result: Mapping[str, Any]) -> None:
    """Write a job down as done, with its result."""
    with transaction.atomic(durable=True):
        held = hold_job(job=job)
        held.state = JobState.DONE
        held.done = held.total
        held.lease_until = None
        held.result = dict(result)
        held.finished_at = timezone.now()
        held.save()
        write_event(by=None, verb="job done", subject=held, details={"attempt": held.attempts})


def set_job_back(*, job: Job, problem: str) -> None:
    """Put a job that fell over back in line; after :data:`MOST_ATTEMPTS` it stays failed."""
    with transaction.atomic(durable=True):
        held = Job.objects.select_for_update().filter(pk=job.pk, fence=job.fence, state=JobState.RUNNING).first()
        if held is None:
            return
        over = held.attempts >= MOST_ATTEMPTS
        held.state = JobState.FAILED if over else JobState.QUEUED
        held.lease_until = None
        held.problem = problem[:2000]
        held.finished_at = timezone.now() if over else None
        held.save()
        write_event(by=None, verb="job fell over", subject=held, details={"attempt": held.attempts})


def drop_old_jobs(*, kind: JobKind, days: int) -> int:
    """Delete finished jobs of a kind that leave nothing behind. Returns how many."""
    before = timezone.now() - timedelta(days=days)
    deleted, _ = Job.objects.filter(kind=kind, state=JobState.DONE, finished_at__lt=before, done=F("total")).delete()
    return deleted
