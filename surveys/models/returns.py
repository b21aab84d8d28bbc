"""Returns as they were sent, the catch in them, and what the protocol check found.

A return has two halves. The *reported* half is what a person sent; a trigger refuses every update
to it. The *worked* half (state, standing, effort, screening) belongs to the service and is
recomputed at will from the reported half.
"""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Case, F, Q, Value, When
from django.utils import timezone

from surveys import vocabulary as words
from surveys.models.people import Account
from surveys.models.seasons import Group, Habitat, Region, Season
from surveys.models.sites import Trap
from surveys.models.words import only_words, word_column
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS

#: Columns of the worked half. Everything else is reported and never edited.
WORKED_COLUMNS = (
    "state",
    "version",
    "moved_at",
    "standing",
    "exposure_h",
    "whole_nights",
    "trap_nights",
    "rim_ratio",
    "fresh",
    "probability",
    "damage",
    "rank",
    "urgent",
    "certain",
    "screened_at",
    "screened_with",
    "compared_with",
    "region_id",
    "reason",
    "pressing",
)


#: Far above any rank, yet small enough that a rank keeps its digits beside it.
DANGER = 1e6


class Return(models.Model):
    """What one person sends about one trap for one exposure."""

    uuid = models.UUIDField(unique=True)
    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="returns")
    trap = models.ForeignKey(Trap, on_delete=models.PROTECT, related_name="returns")
    sender = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="returns")
    received_at = models.DateTimeField(default=timezone.now)
    fingerprint = models.CharField(max_length=64)
    #: The return that this one takes the place of: an amendment is a return of its own.
    amends = models.OneToOneField("self", null=True, on_delete=models.PROTECT, related_name="amended_by")

    # Reported: never edited.
    set_at = models.DateTimeField()
    emptied_at = models.DateTimeField()
    night = models.DateField()
    time_precision = word_column(words.TimePrecision, optional=True)
    habitat = models.ForeignKey(Habitat, null=True, on_delete=models.PROTECT)
    mouth_mm = models.FloatField(null=True)
    depth_mm = models.FloatField(null=True)
    material = word_column(words.CupMaterial, optional=True)
    wall = word_column(words.CupWall, optional=True)
    colour = word_column(words.CupColour, optional=True)
    nesting = word_column(words.CupNesting, optional=True)
    rim = word_column(words.Rim, optional=True)
    rim_gap = word_column(words.RimGap, optional=True)
    cover = word_column(words.Cover, optional=True)
    cover_kind = word_column(words.CoverKind, optional=True)
    cover_gap_mm = models.FloatField(null=True)
    cover_width_mm = models.FloatField(null=True)
    guard = word_column(words.Guard, optional=True)
    guard_hole_mm = models.FloatField(null=True)
    refuge = word_column(words.Refuge, optional=True)
    liquid = word_column(words.Liquid, optional=True)
    water_mm = models.FloatField(null=True)
    drain_holes = word_column(words.DrainHoles, optional=True)
    settled_h = models.FloatField(null=True)
    hole_reuse = word_column(words.HoleReuse, optional=True)
    disturbance = word_column(words.Disturbance, optional=True)
    pesticide = word_column(words.YesNo, optional=True)
    looks = word_column(words.Looks, optional=True)
    traps_open = models.PositiveSmallIntegerField(null=True)
    spacing_m = models.FloatField(null=True)
    traps_pooled = models.PositiveSmallIntegerField(default=1)
    ground_cover = word_column(words.GroundCover, optional=True)
    vegetation = word_column(words.VegetationHeight, optional=True)
    temp_min_c = models.FloatField(null=True)
    temp_max_c = models.FloatField(null=True)
    temp_source = word_column(words.TemperatureSource, optional=True)
    rain = word_column(words.Rain, optional=True)
    wind = word_column(words.Wind, optional=True)
    ground = word_column(words.GroundWetness, optional=True)
    trap_state = word_column(words.TrapState, optional=True)
    counted_in = word_column(words.CountedIn, optional=True)
    looked_for_all = word_column(words.YesNo, optional=True)
    remains_seen = word_column(words.YesNo, optional=True)
    vertebrate_seen = word_column(words.YesNo, optional=True)
    release = word_column(words.Release, optional=True)
    closing = word_column(words.Closing, optional=True)
    note = models.CharField(max_length=500, blank=True, default="")

    # Worked: recomputed at will.
    state = word_column(words.ReturnState, default=words.ReturnState.RECEIVED)
    version = models.PositiveIntegerField(default=1)
    moved_at = models.DateTimeField(default=timezone.now)
    standing = word_column(words.Standing)
    exposure_h = models.FloatField()
    whole_nights = models.PositiveSmallIntegerField()
    trap_nights = models.FloatField(null=True)
    rim_ratio = models.FloatField(null=True)
    fresh = models.BooleanField(null=True)
    probability = models.FloatField(default=0)
    damage = models.FloatField(default=0)
    rank = models.FloatField(default=0)
    urgent = models.BooleanField(default=False)
    certain = models.BooleanField(default=False)
    screened_at = models.DateTimeField(null=True)
    screened_with = models.BigIntegerField(default=0)
    #: What it was compared with, as one number (:mod:`surveys.queries.comparisons`); 0 before it is screened.
    compared_with = models.BigIntegerField(default=0, db_default=0)
    #: The region of its site, so that a region's queue is read from one index.
    region = models.ForeignKey(Region, on_delete=models.PROTECT, related_name="+", db_index=False)
    #: The first reason why it waits or waited.
    reason = word_column(words.QueryReason, optional=True)
    #: What the checks found in it, in their order: keys of :class:`KnownFinding`. None where the findings are rows of
    #: :class:`FindingRow`, as they were kept at first.
    known_findings = ArrayField(models.IntegerField(), null=True)
    #: How pressing it is, as one number for one index: danger comes before any rank.
    pressing = models.GeneratedField(
        expression=Case(When(urgent=True, then=Value(DANGER)), default=Value(0.0)) + F("rank"),
        output_field=models.FloatField(),
        db_persist=True,
    )

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(amends__isnull=True) | ~Q(amends=F("id")), name="a_return_does_not_amend_itself"
            ),
            only_words("state", words.ReturnState, "a_return_is_in_a_known_state"),
            only_words("standing", words.Standing, "a_return_has_a_known_standing"),
            only_words("reason", words.QueryReason, "a_return_waits_for_a_known_reason"),
            models.CheckConstraint(condition=Q(traps_pooled__gte=1), name="a_return_is_about_at_least_one_trap"),
            models.CheckConstraint(
                condition=Q(trap_nights__isnull=True) | Q(trap_nights__gt=0), name="effort_is_positive_or_missing"
            ),
            models.CheckConstraint(
                condition=Q(probability__gte=0) & Q(probability__lte=1), name="a_probability_is_a_share"
            ),
            *[only_words(column, listed, f"{column}_is_a_known_word") for column, listed in REPORTED_WORDS.items()],
            *[
                models.CheckConstraint(
                    condition=Q(**{f"{column}__gte": low}) & Q(**{f"{column}__lte": high}),
                    name=f"{column}_is_within_reason",
                )
                for column, (low, high) in REPORTED_MEASURES.items()
            ],
        ]
        indexes: ClassVar[list[Any]] = [
            models.Index(fields=["id"], condition=Q(state="received"), name="returns_to_screen"),
            # Live data are read in the order of the public id: it says nothing of when or in whose garden.
            models.Index(
                fields=["season", "uuid"],
                condition=Q(state__in=sorted(state.value for state in words.USABLE_STATES)),
                name="usable_returns_by_id",
            ),
            *[
                models.Index(
                    *[F(column) for column in before],
                    F("pressing").desc(),
                    F("id"),
                    condition=Q(state="queried"),
                    name=name,
                )
                for name, before in (
                    ("queue_of_all_regions", ()),
                    ("queue_of_a_region", ("region",)),
                    ("queue_by_reason", ("reason",)),
                )
            ],
            models.Index(fields=["season", "night"], name="returns_by_night"),
            models.Index(fields=["sender", "-id"], name="returns_by_sender"),
            models.Index(fields=["trap", "night"], name="returns_by_trap"),
            models.Index(fields=["received_at"], name="returns_by_arrival"),
            models.Index(fields=["region", "id"], condition=Q(urgent=True), name="urgent_returns_of_a_region"),
        ]

    def __str__(self) -> str:
        return f"return {self.uuid}"


class Catch(models.Model):
    """One group's answer in a return, as sent.

    In the database the table has several parts, by the season in which the counts came in (migration 0021). Its ``id``
    is a key to Django alone: the database draws it, but has no index of it, for what is unique in all parts holds the
    return. So nothing may look a catch up by its ``id``, nor refer to it.
    """

    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="catches")
    group = models.ForeignKey(Group, on_delete=models.PROTECT)
    answer = word_column(words.AnswerKind)
    low = models.PositiveIntegerField(null=True)
    high = models.PositiveIntegerField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("answer", words.AnswerKind, "a_catch_is_one_of_five_answers"),
            models.UniqueConstraint(fields=["report", "group"], name="a_group_is_answered_once_in_a_return"),
            models.CheckConstraint(
                condition=(
                    # Each side says what is not NULL: a condition that is unknown would let a row in.
                    Q(answer="number", low__isnull=False, high__isnull=False, high=F("low"), low__gt=0)
                    | Q(answer="class", low__isnull=False, low__gt=0, high__isnull=True)
                    | Q(answer="class", low__isnull=False, high__isnull=False, low__gt=0, high__gt=F("low"))
                    | Q(answer="none_seen", low__isnull=False, high__isnull=False, low=0, high=0)
                    | Q(answer__in=["did_not_look", "could_not_tell"], low__isnull=True, high__isnull=True)
                ),
                name="a_blank_is_never_a_zero",
            ),
        ]


class PackedCatch(models.Model):
    """All answers of a return in one value, in the season's order of groups: read a million at a time.

    Made from the catches, which are never edited, and made again whenever it is missing; nothing else is kept here.
    """

    report = models.OneToOneField(Return, on_delete=models.CASCADE, related_name="packed", primary_key=True)
    order_key = models.BigIntegerField()
    answers = models.BinaryField()


class KnownFinding(models.Model):
    """Something that a check can find, in the words that a family reads: kept once for all returns that have it.

    Thirty checks find something to say in an ordinary return, mostly that they were not told; as rows of their own
    these would be four times as many as the counts. Only grows, since returns hold its keys.
    """

    id = models.AutoField(primary_key=True)
    check_id = models.CharField(max_length=40)
    outcome = word_column(words.Outcome)
    marks = ArrayField(models.CharField(max_length=12), default=list)
    sentence = models.CharField(max_length=400)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("outcome", words.Outcome, "a_known_finding_has_a_known_outcome"),
            models.UniqueConstraint(
                fields=["check_id", "outcome", "marks", "sentence"], name="a_finding_is_known_once"
            ),
        ]


class FindingRow(models.Model):
    """A finding as it was kept until migration 0018, as a row of its own. Nothing comes to these any more."""

    report = models.ForeignKey(Return, on_delete=models.CASCADE, related_name="+")
    check_id = models.CharField(max_length=40)
    outcome = word_column(words.Outcome)
    marks = ArrayField(models.CharField(max_length=12), default=list)
    sentence = models.CharField(max_length=400)

    class Meta:
        db_table = "surveys_finding"
        constraints: ClassVar[list[Any]] = [only_words("outcome", words.Outcome, "a_finding_has_a_known_outcome")]
        indexes: ClassVar[list[Any]] = [models.Index(fields=["report"], name="findings_by_return")]


class Finding(models.Model):
    """What one check of the protocol found in a return, however it is kept: a view, to be read only.

    ``id`` gives their order within a return, and nothing more.
    """

    id = models.BigIntegerField(primary_key=True)
    report = models.ForeignKey(Return, on_delete=models.DO_NOTHING, related_name="findings", db_constraint=False)
    check_id = models.CharField(max_length=40)
    outcome = word_column(words.Outcome)
    marks = ArrayField(models.CharField(max_length=12))
    sentence = models.CharField(max_length=400)

    class Meta:
        managed = False
        db_table = "surveys_found"


class KeptAnswer(models.Model):
    """The answer that an idempotency key has had, kept so that a second asking hears it again."""

    account = models.ForeignKey(Account, on_delete=models.CASCADE)
    route = models.CharField(max_length=80)
    key = models.CharField(max_length=200)
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField()
    body = models.JSONField()
    kept_at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["account", "route", "key"], name="an_idempotency_key_is_answered_once"),
        ]
