"""Why a return waits, what a coordinator decided, and what was corrected."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys import vocabulary as words
from surveys.models.people import Account
from surveys.models.returns import Return
from surveys.models.seasons import Group, Season
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
    #: The same for all verdicts that were given with one press.
    together = models.UUIDField(null=True, db_index=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("decision", words.Decision, "a_verdict_has_a_known_decision"),
            only_words("reason", words.VerdictReason, "a_verdict_has_a_known_reason"),
            models.UniqueConstraint(fields=["report", "report_version"], name="a_version_is_decided_once"),
        ]


class Undo(models.Model):
    """That a verdict was taken back: it and its corrections stay on record and are in force no more."""

    verdict = models.OneToOneField(Verdict, on_delete=models.CASCADE, related_name="undo")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL)
    undone_at = models.DateTimeField(default=timezone.now)
    note = models.CharField(max_length=500, blank=True, default="")


class Lease(models.Model):
    """That somebody reads a return at the moment, so that nobody else works on it; it ends by itself."""

    report = models.OneToOneField(Return, on_delete=models.CASCADE, related_name="lease", primary_key=True)
    by = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="leases")
    taken_at = models.DateTimeField(default=timezone.now)
    until = models.DateTimeField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=Q(until__gt=F("taken_at")), name="a_lease_ends_after_it_began"),
        ]


class SecondLook(models.Model):
    """A usable return that was drawn for a blind second look, and what was thought of it."""

    report = models.OneToOneField(Return, on_delete=models.CASCADE, related_name="second_look", primary_key=True)
    season = models.ForeignKey(Season, on_delete=models.CASCADE, related_name="second_looks")
    drawn_at = models.DateTimeField(default=timezone.now)
    #: What the return was when it was drawn; once it was looked at, what it was then.
    state = word_column(words.ReturnState)
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="second_looks")
    opinion = word_column(words.Decision, optional=True)
    reason = word_column(words.VerdictReason, optional=True)
    looked_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("state", words.ReturnState, "a_second_look_is_at_a_known_state"),
            only_words("opinion", words.Decision, "a_second_look_has_a_known_opinion"),
            only_words("reason", words.VerdictReason, "a_second_look_has_a_known_reason"),
            models.CheckConstraint(
                condition=Q(opinion__isnull=True, reason__isnull=True, looked_at__isnull=True)
                | Q(opinion__isnull=False, reason__isnull=False, looked_at__isnull=False),
                name="an_opinion_has_a_reason_and_a_moment",
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["report"], condition=Q(looked_at__isnull=True), name="second_looks_to_give"),
        ]


class Correction(models.Model):
    """One corrected answer, beside what was sent: the latest one of a group whose verdict stands is in force."""

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


class Question(models.Model):
    """A message from a coordinator to the household that sent a return, and its answer."""

    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="questions")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="questions_asked")
    text = models.CharField(max_length=500)
    asked_at = models.DateTimeField(default=timezone.now)
    answer = models.CharField(max_length=500, blank=True, default="")
    answered_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=~Q(text=""), name="a_question_says_something"),
            models.CheckConstraint(
                condition=Q(answer="", answered_at__isnull=True) | (~Q(answer="") & Q(answered_at__isnull=False)),
                name="an_answer_has_a_moment",
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["report", "id"], name="questions_by_return"),
            models.Index(fields=["answered_at"], condition=Q(answered_at__isnull=False), name="answers_by_moment"),
        ]
