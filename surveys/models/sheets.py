"""Spreadsheets that somebody sent: kept until they are taken in or a day has passed."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.jobs import Job
from surveys.models.people import Household
from surveys.models.words import only_words, word_column
from surveys.vocabulary import SheetKind, SheetState


class Sheet(models.Model):
    """One spreadsheet: what was sent, what the dry run found in it, and what became of it.

    ``faults`` are ``{row, column, what, how}``; ``ready`` are the rows that could go in, as they would be sent.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    household = models.ForeignKey(Household, on_delete=models.CASCADE, related_name="sheets")
    kind = word_column(SheetKind)
    name = models.CharField(max_length=120)
    content = models.BinaryField(null=True)
    received_at = models.DateTimeField(default=timezone.now, db_index=True)
    job = models.OneToOneField(Job, null=True, on_delete=models.SET_NULL, related_name="sheet")
    state = word_column(SheetState, default=SheetState.WAITING)
    refusal = models.CharField(max_length=400, blank=True, default="")
    rows = models.PositiveIntegerField(default=0)
    rows_read = models.PositiveIntegerField(default=0)
    faults = models.JSONField(default=list)
    ready = models.JSONField(default=list)
    marked = models.BinaryField(null=True)
    taken_at = models.DateTimeField(null=True)
    taken = models.PositiveIntegerField(default=0)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", SheetKind, "a_sheet_is_of_a_known_kind"),
            only_words("state", SheetState, "a_sheet_is_in_a_known_state"),
            models.CheckConstraint(condition=Q(rows_read__lte=F("rows")), name="a_sheet_is_never_more_than_read"),
        ]

    def __str__(self) -> str:
        return f"sheet {self.public_id}"
