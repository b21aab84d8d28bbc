"""Settings of the programs that are killed: those of the tests, with a beat that goes faster and a log that only grows."""

import os

from project.settings.test import *  # noqa: F403

# What beat does each minute or quarter of an hour it does here every few seconds.
_BEAT_S = float(os.environ.get("FAULTS_BEAT_S", "2"))
CELERY_BEAT_SCHEDULE = {name: {**line, "schedule": _BEAT_S} for name, line in SCHEDULE.items()}  # noqa: F405
CELERY_BEAT_MAX_LOOP_INTERVAL = _BEAT_S
# One night, fired by every beat over and over.
if job := os.environ.get("FAULTS_FIRED_JOB"):
    CELERY_BEAT_SCHEDULE = {
        "fired": {"task": "surveys.tasks.run_night", "schedule": 0.2, "args": [int(job)]},
    }
    CELERY_BEAT_MAX_LOOP_INTERVAL = 0.2
# Nobody empties tables here.
del DATABASES["default"]["OPTIONS"]["options"]  # noqa: F405
