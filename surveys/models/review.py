"""Why a return waits, what a coordinator decided, and what was corrected."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from surveys import vocabulary as words
from surveys.models.people import Account
from surveys.models.returns import Return
from surveys.models.seasons import Group
from surveys.models.words import only_words, word_column


class Query(models.Model):
    """Why a return waits, with its evidence."""

    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="queries")
    kind = word_column(words.QueryKind)
    reason = word_column(words.QueryReason)
    position = models.PositiveSmallIntegerField()
    probability = models.FloatField()
    sentence = models.CharField(max_length=600)
    gentle_sentence = models.CharField(max_length=600)
    evidence = models.JSONField(default=dict)
    raised_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", words.QueryKind, "a_query_has_a_known_kind"),
            only_words("reason", words.QueryReason, "a_query_has_a_known_reason"),
            models.UniqueConstraint(fields=["report", "reason"], name="a_reason_is_given_once_per_return"),
        ]
        indexes: ClassVar[list[Any]] = [models.Index(fields=["report", "position"], name="queries_by_return")]


class Verdict(models.Model):
    """What a coordinator decided about a queried return, and why."""

    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="verdicts")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL)
    decision = word_column(words.Decision)
    reason = word_column(words.VerdictReason)
    note = models.CharField(max_length=500, blank=True, default="")
    decided_at = models.DateTimeField(default=timezone.now)
    report_version = models.PositiveIntegerField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("decision", words.Decision, "a_verdict_has_a_known_decision"),
            only_words("reason", words.VerdictReason, "a_verdict_has_a_known_reason"),
            models.UniqueConstraint(fields=["report", "report_version"], name="a_version_is_decided_once"),
        ]


class Correction(models.Model):
    """One corrected answer, beside what was sent: the latest one of a group is in force."""

    verdict = models.ForeignKey(Verdict, on_delete=models.CASCADE, related_name="corrections")
    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="corrections")
    group = models.ForeignKey(Group, null=True, on_delete=models.PROTECT)
    answer = word_column(words.AnswerKind, optional=True)
    low = models.PositiveIntegerField(null=True)
    high = models.PositiveIntegerField(null=True)
    column = models.CharField(max_length=40, blank=True, default="")
    value = models.JSONField(null=True)
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(group__isnull=False, answer__isnull=False, column="")
                | (Q(group__isnull=True, answer__isnull=True) & ~Q(column="")),
                name="a_correction_is_about_a_group_or_a_column",
            ),
            models.UniqueConstraint(
                fields=["verdict", "group", "column"],
                nulls_distinct=False,
                name="a_verdict_corrects_each_thing_once",
            ),
        ]
        indexes: ClassVar[list[Any]] = [models.Index(fields=["report", "-id"], name="corrections_by_return")]
