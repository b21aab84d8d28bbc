"""Jobs: what waits, and how one stands."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Count, F, Max, Q
from django.db.models.functions import Now
from django.utils import timezone

from surveys.models import Job, JobPart
from surveys.vocabulary import JobKind, JobState


def jobs_to_do() -> list[int]:
    """Return the keys of jobs that nobody works on at this moment. One query."""
    waiting = Q(state=JobState.QUEUED) | Q(state=JobState.RUNNING, lease_until__lt=Now())
    return list(Job.objects.filter(waiting).order_by("created_at").values_list("pk", flat=True))


#: Parts of running jobs that nobody works on at this moment, by the clock of the database.
PARTS_TO_DO = Q(job__state=JobState.RUNNING, fence=F("job__fence")) & (
    Q(state=JobState.QUEUED) | Q(state=JobState.RUNNING, lease_until__lt=Now())
)


def nights_to_help(helpers: int) -> dict[int, int]:
    """Return the jobs with parts that nobody works on, and how many more workers may help with each. Two queries."""
    waiting = JobPart.objects.filter(PARTS_TO_DO).values_list("job", flat=True).distinct()
    busy = JobPart.objects.filter(job__in=list(waiting), state=JobState.RUNNING, lease_until__gte=Now())
    at_work = dict(busy.values("job").annotate(workers=Count("worker", distinct=True)).values_list("job", "workers"))
    # One of those at work is the owner.
    free = {job: helpers - max(at_work.get(job, 0) - 1, 0) for job in waiting}
    return {job: more for job, more in free.items() if more > 0}


def job_of(kind: JobKind, key: str) -> Job | None:
    """Return the job of a kind under its key. One query."""
    return Job.objects.filter(kind=kind, key=key).first()


def nights_done(prefix: str) -> set[str]:
    """Return the keys of the nights that are done, for keys with this beginning. One query."""
    done = Job.objects.filter(kind=JobKind.NIGHT, key__startswith=prefix, state=JobState.DONE)
    return set(done.values_list("key", flat=True))


def last_sign_of_life() -> datetime | None:
    """Return when a worker last finished a canary job. One query."""
    done = Job.objects.filter(kind=JobKind.CANARY, state=JobState.DONE)
    latest: datetime | None = done.aggregate(latest=Max("finished_at"))["latest"]
    return latest


def kinds_under_way() -> list[str]:
    """Return the kinds of jobs that a worker holds under a lease which it renewed in time. One query."""
    held = Job.objects.filter(state=JobState.RUNNING, lease_until__gte=timezone.now())
    return sorted(set(held.values_list("kind", flat=True)))


def problem_of(job_id: int) -> str:
    """Return what is known of why a job failed, empty where it did not. One query."""
    return Job.objects.filter(pk=job_id, state=JobState.FAILED).values_list("problem", flat=True).first() or ""
