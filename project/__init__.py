"""Composition root: imports everything, imported by nothing."""

from project.celery import app as celery_app

__all__ = ["celery_app"]
