"""Parts of a job: written down, claimed one by one by any worker under a lease and a fence, gathered by the owner.

Leases are counted by the clock of the database, so that no host's own clock matters. A part changes nothing that
anybody sees, so claiming one leaves no line in the log; writing them down and giving one up does.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Count, F, Q, QuerySet
from django.db.models.functions import Now

from surveys.errors import Refusal
from surveys.models import Job, JobColumn, JobPart
from surveys.queries.jobs import PARTS_TO_DO
from surveys.services.events import write_event
from surveys.services.jobs import MOST_ATTEMPTS, hold_job
from surveys.vocabulary import JobState, PartKind

_COPY = "COPY surveys_jobcolumn (job_id, fence, name, kind, content) FROM STDIN (FORMAT BINARY)"


class LostPart(Refusal):
    """Another worker has the part, or its job has gone on without it: what was computed is thrown away."""

    code = "lost_part"


class PartGivenUp(Refusal):
    """A part was begun as often as may be and never ended, so its job cannot end either."""

    code = "part_given_up"


@dataclass(frozen=True, slots=True)
class Standing:
    """How the parts of a kind stand: how many are not done, and why the first that was given up was."""

    left: int
    given_up: str


def write_columns(*, job: Job, columns: Iterable[tuple[str, str, bytes]]) -> None:
    """Write what the parts of a job's claim are computed from: name, type and bytes of each column."""
    with transaction.atomic(durable=True):
        with connection.cursor() as cursor, cursor.copy(_COPY) as copy:
            copy.set_types(["int8", "int4", "text", "text", "bytea"])
            for name, kind, content in columns:
                copy.write_row((job.pk, job.fence, name, kind, content))
        hold_job(job=job)


def write_parts(*, job: Job, kind: PartKind, given: Sequence[str], alike: str) -> None:
    """Write the parts of a kind down for all workers that compute ``alike``; those of earlier claims go."""
    with transaction.atomic(durable=True):
        hold_job(job=job)
        _drop(JobPart.objects.filter(job=job).exclude(fence=job.fence))
        _drop(JobColumn.objects.filter(job=job).exclude(fence=job.fence))
        JobPart.objects.bulk_create(
            JobPart(job=job, fence=job.fence, kind=kind, number=number, alike=alike, given=one)
            for number, one in enumerate(given)
        )
        details = {"kind": kind.value, "parts": len(given), "fence": job.fence}
        write_event(by=None, verb="job written in parts", subject=job, details=details)


def claim_part(*, job_id: int, alike: str) -> JobPart | None:
    """Take the first part of a running job that nobody has, or whose worker let its lease run out. None without one."""
    with transaction.atomic(durable=True):
        part = (
            JobPart.objects.select_for_update(no_key=True, skip_locked=True, of=("self",))
            .filter(PARTS_TO_DO, job=job_id, alike=alike)
            .order_by("id")
            .first()
        )
        if part is None:
            return None
        if part.claims >= MOST_ATTEMPTS:
            part.state = JobState.FAILED
            part.problem = part.problem or f"It was begun {part.claims} times and never ended."
            part.save(update_fields=["state", "problem"])
            write_event(by=None, verb="part given up", subject=part, details={"job": job_id, "claims": part.claims})
            return None
        part.claims += 1
        part.worker = worker_name()
        JobPart.objects.filter(pk=part.pk).update(
            state=JobState.RUNNING, claims=part.claims, worker=part.worker, lease_until=_lease()
        )
    return part


def renew_parts(*, parts: Sequence[JobPart]) -> None:
    """Hold parts for another lease; one that is lost already is found when its result is kept."""
    for part in parts:
        _ours(part).update(lease_until=_lease())


def keep_part(*, part: JobPart, result: str) -> None:
    """Write a part down as done, with its result; raise :class:`LostPart` if it is lost."""
    with transaction.atomic(durable=True):
        hold_part(part=part)
        JobPart.objects.filter(pk=part.pk).update(
            state=JobState.DONE, result=result, lease_until=None, problem="", given=""
        )


def hold_part(*, part: JobPart) -> None:
    """Lock a part inside a transaction that is open; raise :class:`LostPart` if it is lost."""
    if _ours(part).select_for_update(no_key=True, of=("self",)).first() is None:
        raise LostPart(f"Part {part.pk} is in other hands now, so nothing of this worker is kept.")


def set_part_back(*, part: JobPart, problem: str) -> None:
    """Put a part that fell over back in line; after :data:`MOST_ATTEMPTS` it stays failed. Nothing if it is lost."""
    with transaction.atomic(durable=True):
        if _ours(part).select_for_update(no_key=True, of=("self",)).first() is None:
            return
        over = part.claims >= MOST_ATTEMPTS
        JobPart.objects.filter(pk=part.pk).update(
            state=JobState.FAILED if over else JobState.QUEUED, lease_until=None, problem=problem[-2000:]
        )
        details = {"job": part.job_id, "claims": part.claims}
        write_event(by=None, verb="part given up" if over else "part fell over", subject=part, details=details)


def parts_standing(*, job: Job, kind: PartKind) -> Standing:
    """Return how the parts of a kind stand. Two queries."""
    parts = JobPart.objects.filter(job=job, fence=job.fence, kind=kind)
    counted = parts.aggregate(all=Count("id"), done=Count("id", filter=Q(state=JobState.DONE)))
    failed = parts.filter(state=JobState.FAILED).order_by("number").first()
    said = f"{PartKind(failed.kind).label} (number {failed.number}): {_last_line(failed.problem)}" if failed else ""
    return Standing(counted["all"] - counted["done"], said)


def results_of_parts(*, job: Job, kind: PartKind) -> list[tuple[str, str]]:
    """Return result and worker of each part of a kind, in the order in which they were written down. One query."""
    parts = JobPart.objects.filter(job=job, fence=job.fence, kind=kind, state=JobState.DONE)
    return list(parts.order_by("number").values_list("result", "worker"))


def drop_parts(*, job: Job) -> None:
    """Drop the parts and columns of this claim of a job; those of a later claim stay."""
    with transaction.atomic(durable=True):
        for table in (JobPart, JobColumn):
            _drop(table._default_manager.filter(job=job, fence__lte=job.fence))


def drop_left_parts() -> int:
    """Drop parts and columns whose job has ended, or has been claimed anew since. Returns how many."""
    with transaction.atomic(durable=True):
        dropped = 0
        for table in (JobPart, JobColumn):
            left = table._default_manager.exclude(job__state=JobState.RUNNING, fence=F("job__fence"))
            dropped += _drop(left)
    return dropped


def worker_name() -> str:
    """Return the name of this worker: its host and its process."""
    return f"{platform.node()[:100]}:{os.getpid()}"


def _ours(part: JobPart) -> QuerySet[JobPart]:
    """Return the row of a part while this claim of it, and that of its job, hold."""
    return JobPart.objects.filter(
        pk=part.pk, claims=part.claims, state=JobState.RUNNING, job__state=JobState.RUNNING, job__fence=part.fence
    )


def _lease() -> object:
    return Now() + timedelta(seconds=settings.JOB_LEASE_S)


def _drop(rows: QuerySet[JobPart] | QuerySet[JobColumn]) -> int:
    return int(rows.delete()[0])


def _last_line(problem: str) -> str:
    return problem.strip().rsplit("\n", 1)[-1]
