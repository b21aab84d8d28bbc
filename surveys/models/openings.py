"""A trap that was set: when, how, who looked at it, and how it ended."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.people import Account
from surveys.models.returns import Return
from surveys.models.sites import Trap
from surveys.models.words import only_words, word_column
from surveys.vocabulary import Ending


class Opening(models.Model):
    """One setting of one trap, from the lid coming off until it is emptied or given up.

    ``answers`` are the reported columns of a return that are known when a trap is set.
    """

    uuid = models.UUIDField(unique=True)
    trap = models.ForeignKey(Trap, on_delete=models.CASCADE, related_name="openings")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="openings")
    fingerprint = models.CharField(max_length=64)
    set_at = models.DateTimeField()
    answers = models.JSONField(default=dict)
    received_at = models.DateTimeField(default=timezone.now)
    looked_dusk_at = models.DateTimeField(null=True)
    looked_dawn_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    ending = word_column(Ending, optional=True)
    report = models.OneToOneField(Return, null=True, on_delete=models.SET_NULL, related_name="opening")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("ending", Ending, "a_setting_ends_in_a_known_way"),
            models.UniqueConstraint(
                fields=["trap"], condition=Q(ended_at__isnull=True), name="a_trap_is_open_once_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ending__isnull=True)
                | Q(ended_at__isnull=False, ending__isnull=False),
                name="a_setting_that_ended_says_how",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("set_at")), name="a_setting_ends_after_it_began"
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["set_at"], condition=Q(ended_at__isnull=True), name="traps_that_are_open"),
        ]

    def __str__(self) -> str:
        return f"setting {self.uuid}"
