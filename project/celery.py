"""The Celery application. It carries hints only; the truth of every job is in PostgreSQL.

Like every other program here it reads ``DJANGO_SETTINGS_MODULE``; nothing is assumed.
"""

from __future__ import annotations

import logging.config
from typing import Any

from celery import Celery
from celery.signals import setup_logging

app = Celery("trapnight")
# By itself Celery does this only where DJANGO_SETTINGS_MODULE is set before this is imported. Without it every thread
# of a web server but the first would wake nobody, at an address where nobody listens.
app.set_default()
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["surveys"])


@setup_logging.connect
def write_logs_as_everybody_does(**_: Any) -> None:
    """Keep Celery from setting up logs of its own shape."""
    from django.conf import settings

    logging.config.dictConfig(settings.LOGGING)
