"""The Celery application. It carries hints only; the truth of every job is in PostgreSQL.

Like every other program here it reads ``DJANGO_SETTINGS_MODULE``; nothing is assumed.
"""

from __future__ import annotations

from celery import Celery

app = Celery("trapnight")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["surveys"])
