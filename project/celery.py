"""The Celery application. It carries hints only; the truth of every job is in PostgreSQL."""

from __future__ import annotations

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.production")

app = Celery("trapnight")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["surveys"])
