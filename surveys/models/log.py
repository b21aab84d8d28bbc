"""The event log: append-only, numbered without gaps, each row chained to the one before it."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q


class Event(models.Model):
    """One thing that was done. The database numbers, dates and chains it (see the first migration).

    Rows are chained under one lock that is held until commit, so numbers follow the order of
    commits: "all events up to N" is an exact cut through the history.
    """

    id = models.BigIntegerField(primary_key=True, editable=False)
    at = models.DateTimeField(editable=False)
    actor = models.BigIntegerField(null=True)
    verb = models.CharField(max_length=60)
    subject = models.CharField(max_length=40)
    subject_id = models.BigIntegerField(null=True)
    details = models.JSONField(default=dict)
    request_id = models.CharField(max_length=64, blank=True, default="")
    previous = models.CharField(max_length=64, editable=False)
    digest = models.CharField(max_length=64, editable=False)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["previous"], name="the_log_never_forks"),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["subject", "subject_id"], name="events_by_subject"),
            models.Index(fields=["actor", "id"], condition=Q(actor__isnull=False), name="events_by_actor"),
        ]
