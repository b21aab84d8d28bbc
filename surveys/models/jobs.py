"""Jobs: the one truth about background work. Celery only wakes those who do it."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.words import only_words, word_column
from surveys.vocabulary import JobKind, JobState, PartKind


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
            models.Index(fields=["kind", "-id"], name="jobs_of_a_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key}"


class JobPart(models.Model):
    """A part of a job that any worker may do, claimed under a lease of its own; dropped with the job's claim.

    ``fence`` is that of the job when the part was written. ``claims`` counts how often it was taken, and is the part's
    own fencing number. ``alike`` names the processors and the code that give the same digits as the owner's.
    ``given`` and ``result`` are JSON as text, in which every number keeps its last digit.
    """

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="parts")
    fence = models.PositiveIntegerField()
    kind = word_column(PartKind)
    number = models.PositiveIntegerField()
    alike = models.CharField(max_length=64)
    state = word_column(JobState, default=JobState.QUEUED)
    claims = models.PositiveSmallIntegerField(default=0)
    lease_until = models.DateTimeField(null=True)
    worker = models.CharField(max_length=120, blank=True, default="")
    given = models.TextField()
    result = models.TextField(blank=True, default="")
    problem = models.TextField(blank=True, default="")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", PartKind, "a_part_is_of_a_known_kind"),
            only_words("state", JobState, "a_part_is_in_a_known_state"),
            models.UniqueConstraint(fields=["job", "fence", "kind", "number"], name="a_job_has_each_part_once"),
            models.CheckConstraint(
                condition=~Q(state="running") | Q(lease_until__isnull=False), name="a_running_part_has_a_lease"
            ),
            models.CheckConstraint(condition=~Q(state="done") | ~Q(result=""), name="a_part_that_is_done_has_a_result"),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["job", "id"], condition=Q(state__in=["queued", "running"]), name="parts_to_do"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.number} of job {self.job_id}"


class JobColumn(models.Model):
    """One column of what a claim of a job computes from, as its owner read it; its parts read it from here.

    ``kind`` is a numpy type in little-endian order, such as ``<i2``, or ``json``; ``content`` the values one after
    the other. Columns hold counts, measures, days and row numbers.
    """

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="columns")
    fence = models.PositiveIntegerField()
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=8)
    content = models.BinaryField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["job", "fence", "name"], name="a_claim_of_a_job_has_each_column_once"),
        ]

    def __str__(self) -> str:
        return f"{self.name} of job {self.job_id}"
