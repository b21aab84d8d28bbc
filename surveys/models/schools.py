"""School classes under generated pseudonyms, their entry codes, and drafts that wait for a grown-up."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.openings import Opening
from surveys.models.people import Account, Household
from surveys.models.sites import Trap
from surveys.models.words import only_words, word_column
from surveys.vocabulary import DraftKind


class SchoolClass(models.Model):
    """A class of a school, known by a generated pseudonym. Nothing about a pupil is stored."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    household = models.ForeignKey(Household, on_delete=models.CASCADE, related_name="classes")
    pseudonym = models.CharField(max_length=60)
    created_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["household", "pseudonym"], name="a_class_pseudonym_is_used_once_in_a_school"
            ),
        ]

    def __str__(self) -> str:
        return self.pseudonym


class ClassCode(models.Model):
    """A short-lived code by which a class enters its counts: only a digest is kept."""

    school_class = models.ForeignKey(SchoolClass, on_delete=models.CASCADE, related_name="codes")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("made_at")), name="a_class_code_expires_after_it_was_made"
            ),
        ]


class Draft(models.Model):
    """Answers that are not sent yet: of a grown-up who is under way, or of a class whose teacher will look at them."""

    uuid = models.UUIDField(unique=True, default=uuid.uuid4)
    keeper = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="drafts")
    school_class = models.ForeignKey(SchoolClass, null=True, on_delete=models.CASCADE, related_name="drafts")
    kind = word_column(DraftKind)
    trap = models.ForeignKey(Trap, null=True, on_delete=models.CASCADE, related_name="drafts")
    opening = models.ForeignKey(Opening, null=True, on_delete=models.CASCADE, related_name="drafts")
    answers = models.JSONField(default=dict)
    begun_at = models.DateTimeField(default=timezone.now)
    saved_at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", DraftKind, "a_draft_is_of_a_known_kind"),
            models.CheckConstraint(
                condition=Q(school_class__isnull=True) | Q(kind="count", trap__isnull=False),
                name="a_class_drafts_counts_of_one_trap",
            ),
        ]
