"""Background tasks: each wakes a service and carries an id at most.

Losing a task loses nothing: beat asks again every minute what the tables say is still to do.
"""

from __future__ import annotations

from typing import Any

from celery import shared_task
from django.utils import timezone

from surveys.queries.jobs import jobs_to_do
from surveys.services import jobs, letters, morning, night, parts, retention, screening
from surveys.services.waking import screening_has_woken, wake
from surveys.vocabulary import JobKind

#: Seconds after which a night or another long job must give way, and is taken up again by the next sweep: a night goes
#: on where its screening was. The second ends it. A million returns take one processor two hours. Both lie below the
#: visibility timeout of the broker, or a long task would run twice at once (project/settings/base.py).
LONG_TURN: dict[str, Any] = {"soft_time_limit": 50 * 60, "time_limit": 55 * 60}


@shared_task(name="surveys.tasks.screen_received")
def screen_received() -> int:
    """Screen everything that waits to be screened. Returns how many."""
    screening_has_woken()
    screened = 0
    while done := screening.screen_received(most=200):
        screened += done
    return screened


@shared_task(name="surveys.tasks.run_night", **LONG_TURN)
def run_night(job_id: int) -> None:
    """Run a night's job, unless somebody does already."""
    night.run_night(job_id=job_id)


@shared_task(name="surveys.tasks.catch_up_nights")
def catch_up_nights() -> None:
    """Write down the nights that are due, and wake whoever runs them."""
    for job in night.ask_for_due_nights(now=timezone.now()):
        wake("run_night", job.pk)


@shared_task(name="surveys.tasks.resume_jobs")
def resume_jobs() -> None:
    """Wake workers for every job that waits or that lost its worker."""
    for job_id in jobs_to_do():
        wake("resume_job", job_id)
    night.wake_helpers_of_nights()


@shared_task(name="surveys.tasks.help_with_night")
def help_with_night(job_id: int) -> None:
    """Do parts of a night that another worker owns; give way to other tasks, and come back while some are left."""
    if night.help_with_night(job_id=job_id):
        wake("help_with_night", job_id, expires=60)


@shared_task(name="surveys.tasks.resume_job", **LONG_TURN)
def resume_job(job_id: int) -> None:
    """Take up one job, whatever its kind."""
    night.resume_job(job_id=job_id)


@shared_task(name="surveys.tasks.show_sign_of_life")
def show_sign_of_life() -> None:
    """Do one small real job, which proves that broker, worker and database work together."""
    job, _ = jobs.ask_for_job(kind=JobKind.CANARY, key=timezone.now().strftime("%Y-%m-%dT%H:%M"))
    night.resume_job(job_id=job.pk)
    jobs.drop_old_jobs(kind=JobKind.CANARY, days=1)


@shared_task(name="surveys.tasks.keep_house")
def keep_house() -> dict[str, int]:
    """Drop, empty and erase what has been kept long enough. Returns how many rows each rule was about."""
    jobs.drop_old_jobs(kind=JobKind.SHEET, days=1)
    jobs.drop_old_jobs(kind=JobKind.PREVIEW, days=30)
    parts.drop_left_parts()
    return retention.keep_house(now=timezone.now())


@shared_task(name="surveys.tasks.write_morning_letters")
def write_morning_letters() -> int:
    """Write to the coordinators for whom something waits, once a morning. Returns how many letters were written."""
    return morning.write_morning_letters(now=timezone.now())


@shared_task(name="surveys.tasks.send_letters")
def send_letters() -> int:
    """Send the letters that are due. Returns how many went out."""
    return letters.send_due_letters(now=timezone.now())
