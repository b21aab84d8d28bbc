"""When beat wakes the workers. Each line is a hint: the job table decides what is due."""

from __future__ import annotations

from typing import Any

from celery.schedules import crontab

SCHEDULE: dict[str, dict[str, Any]] = {
    # Every quarter of an hour: what is due is decided from the job table, so a night that was
    # missed is caught up at the next of these, and a night that is done is left alone.
    "nights": {"task": "surveys.tasks.catch_up_nights", "schedule": crontab(minute="*/15")},
    "screening": {"task": "surveys.tasks.screen_received", "schedule": 60.0},
    # Each letter is marked before it goes, so two of these at once send none twice.
    "letters": {"task": "surveys.tasks.send_letters", "schedule": 60.0},
    # At 06:30 where the season is; asked for each quarter of an hour, and each morning is written down once.
    "morning letters": {"task": "surveys.tasks.write_morning_letters", "schedule": crontab(minute="*/15")},
    # Once a day is due; every hour makes up for a day on which nothing ran.
    "keeping house": {"task": "surveys.tasks.keep_house", "schedule": crontab(minute=40)},
    "unfinished jobs": {"task": "surveys.tasks.resume_jobs", "schedule": 60.0},
    "sign of life": {"task": "surveys.tasks.show_sign_of_life", "schedule": 60.0},
}
