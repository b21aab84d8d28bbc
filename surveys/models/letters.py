"""Mail that is to go out: written down first, sent once."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from surveys.models.openings import Opening
from surveys.models.people import Account
from surveys.models.words import only_words, word_column
from surveys.vocabulary import LetterKind


class Letter(models.Model):
    """One mail to one account. It names no place and no person; ``context`` fills its text."""

    key = models.CharField(max_length=120, unique=True)
    account = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="letters")
    opening = models.ForeignKey(Opening, null=True, on_delete=models.CASCADE, related_name="letters")
    kind = word_column(LetterKind)
    due_at = models.DateTimeField()
    context = models.JSONField(default=dict)
    written_at = models.DateTimeField(default=timezone.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True)
    dropped_at = models.DateTimeField(null=True)
    problem = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", LetterKind, "a_letter_is_of_a_known_kind"),
            models.CheckConstraint(
                condition=Q(sent_at__isnull=True) | Q(dropped_at__isnull=True), name="a_letter_is_sent_or_dropped"
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(
                fields=["due_at"], condition=Q(sent_at__isnull=True, dropped_at__isnull=True), name="letters_to_send"
            ),
        ]
