"""Jobs: the one truth about background work. Celery only wakes those who do it."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.words import only_words, word_column
from surveys.vocabulary import JobKind, JobState


class Job(models.Model):
    """One piece of background work, claimed under a lease and a fencing number."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    kind = word_column(JobKind)
    key = models.CharField(max_length=120)
    state = word_column(JobState, default=JobState.QUEUED)
    attempts = models.PositiveSmallIntegerField(default=0)
    fence = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    parameters = models.JSONField(default=dict)
    result = models.JSONField(default=dict)
    problem = models.TextField(blank=True, default="")
    created_at = models.DateTimeField(default=timezone.now)
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", JobKind, "a_job_is_of_a_known_kind"),
            only_words("state", JobState, "a_job_is_in_a_known_state"),
            models.UniqueConstraint(fields=["kind", "key"], name="a_job_is_asked_for_once"),
            models.CheckConstraint(
                condition=~Q(state="running") | Q(lease_until__isnull=False), name="a_running_job_has_a_lease"
            ),
            models.CheckConstraint(condition=Q(done__lte=F("total")), name="a_job_is_never_more_than_done"),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["created_at"], condition=Q(state__in=["queued", "running"]), name="jobs_to_do"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key}"
