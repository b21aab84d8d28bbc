"""Background tasks: each wakes a service and carries an id at most.

Losing a task loses nothing: beat asks again every minute what the tables say is still to do.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from typing import Any

from celery import Task, shared_task
from django.core.cache import cache
from django.utils import timezone
from kombu.exceptions import OperationalError

from surveys.queries.jobs import jobs_to_do
from surveys.services import jobs, night, screening
from surveys.vocabulary import JobKind

log = logging.getLogger(__name__)


#: Set while a waking is on its way, so that a thousand returns wake the worker once.
_WOKEN = "screening-is-woken"


def wake(task: Task[Any, Any], *arguments: Any, countdown: float = 0) -> None:
    """Wake a worker. A broker that is away costs a minute's delay and nothing else."""
    try:
        task.apply_async(args=arguments, retry=False, countdown=countdown)
    except (OperationalError, OSError) as fault:
        log.warning("the broker is away (%s): %s waits for the next sweep", type(fault).__name__, task.name)


def wake_screening() -> None:
    """Wake whoever screens what has arrived: once for all that arrives within a second."""
    try:
        first = cache.add(_WOKEN, True, timeout=30)
    except Exception:  # the cache is away, whatever its kind: wake once too often rather than not at all
        first = True
    if first:
        wake(screen_received, countdown=1)


@shared_task(name="surveys.tasks.screen_received")
def screen_received() -> int:
    """Screen everything that waits to be screened. Returns how many."""
    # First, so that a return that is committed from here on wakes the next one.
    with suppress(Exception):
        cache.delete(_WOKEN)
    screened = 0
    while done := screening.screen_received(most=200):
        screened += done
    return screened


@shared_task(name="surveys.tasks.run_night")
def run_night(job_id: int) -> None:
    """Run a night's job, unless somebody does already."""
    night.run_night(job_id=job_id)


@shared_task(name="surveys.tasks.catch_up_nights")
def catch_up_nights() -> None:
    """Write down the nights that are due, and wake whoever runs them."""
    for job in night.ask_for_due_nights(now=timezone.now()):
        wake(run_night, job.pk)


@shared_task(name="surveys.tasks.resume_jobs")
def resume_jobs() -> None:
    """Wake workers for every job that waits or that lost its worker."""
    for job_id in jobs_to_do():
        wake(resume_job, job_id)


@shared_task(name="surveys.tasks.resume_job")
def resume_job(job_id: int) -> None:
    """Take up one job, whatever its kind."""
    night.resume_job(job_id=job_id)


@shared_task(name="surveys.tasks.show_sign_of_life")
def show_sign_of_life() -> None:
    """Do one small real job, which proves that broker, worker and database work together."""
    job, _ = jobs.ask_for_job(kind=JobKind.CANARY, key=timezone.now().strftime("%Y-%m-%dT%H:%M"))
    night.resume_job(job_id=job.pk)
    jobs.drop_old_jobs(kind=JobKind.CANARY, days=1)
