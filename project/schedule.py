"""When beat wakes the workers. Each line is a hint: the job table decides what is due."""

from __future__ import annotations

from typing import Any

from celery.schedules import crontab

SCHEDULE: dict[str, dict[str, Any]] = {
    # Every quarter of an hour: what is due is decided from the job table, so a night that was
    # missed is caught up at the next of these, and a night that is done is left alone.
    "nights": {"task": "surveys.tasks.catch_up_nights", "schedule": crontab(minute="*/15")},
    "screening": {"task": "surveys.tasks.screen_received", "schedule": 60.0},
    "unfinished jobs": {"task": "surveys.tasks.resume_jobs", "schedule": 60.0},
    "sign of life": {"task": "surveys.tasks.show_sign_of_life", "schedule": 60.0},
}
