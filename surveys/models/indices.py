"""Runs, the index values they computed, what is usual, and which run is shown."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.methods.change_words import SENTENCES as CHANGE_CODES
from surveys.models.jobs import Job
from surveys.models.seasons import Group, Habitat, Region, Season, Window
from surveys.models.words import only_words, word_column
from surveys.vocabulary import IndexLabel, RunState


class Run(models.Model):
    """One execution of a nightly computation, with everything needed to do it again."""

    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="runs")
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="runs")
    fence = models.PositiveIntegerField()
    night = models.DateField()
    state = word_column(RunState, default=RunState.COMPUTING)
    method_version = models.CharField(max_length=20)
    protocol_version = models.CharField(max_length=20)
    code_version = models.CharField(max_length=64)
    seed = models.BigIntegerField()
    parameters = models.JSONField(default=dict)
    snapshot_event = models.BigIntegerField()
    snapshot_hash = models.CharField(max_length=64)
    counts = models.JSONField(default=dict)
    timings = models.JSONField(default=dict)
    shared = models.JSONField(default=dict, help_text="What all cells of a group share, to hold or to compute again.")
    started_at = models.DateTimeField(default=timezone.now)
    published_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("state", RunState, "a_run_is_in_a_known_state"),
            models.UniqueConstraint(
                fields=["season"], condition=Q(state="published"), name="one_run_of_a_season_is_shown"
            ),
            models.UniqueConstraint(fields=["season", "job", "fence"], name="a_claim_of_a_job_makes_one_run"),
            models.CheckConstraint(
                condition=Q(state="computing") | Q(published_at__isnull=False),
                name="a_run_that_was_shown_says_since_when",
            ),
        ]

    def __str__(self) -> str:
        return f"run {self.pk} of {self.night}"


class IndexValue(models.Model):
    """One activity index: mean over gardens, animals per trap-night, with its interval."""

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="values")
    region = models.ForeignKey(Region, on_delete=models.PROTECT)
    group = models.ForeignKey(Group, on_delete=models.PROTECT)
    window = models.ForeignKey(Window, on_delete=models.PROTECT)
    rim_exponent = models.PositiveSmallIntegerField(default=1)
    label = word_column(IndexLabel)
    estimate = models.FloatField(null=True)
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)
    sites = models.PositiveIntegerField()
    site_nights = models.PositiveIntegerField()
    returns = models.PositiveIntegerField()
    trap_nights = models.FloatField()
    more_sites_needed = models.PositiveIntegerField(default=0)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("label", IndexLabel, "an_index_value_has_a_known_label"),
            models.UniqueConstraint(
                fields=["run", "region", "group", "window", "rim_exponent"], name="a_run_gives_each_index_once"
            ),
            models.CheckConstraint(
                condition=Q(label="too_few", estimate__isnull=True, low__isnull=True, high__isnull=True)
                | (
                    ~Q(label="too_few")
                    & Q(low__isnull=False, estimate__isnull=False, high__isnull=False)
                    & Q(low__lte=F("estimate"))
                    & Q(estimate__lte=F("high"))
                ),
                name="an_estimate_lies_inside_its_interval_or_is_not_shown",
            ),
        ]


class UsualCatch(models.Model):
    """What a trap usually catches of a group in a region, window and habitat, per trap-night.

    A negative binomial of this mean and size for one night, times a gamma of mean one and this shape
    for the site. A generation is written whole, by one nightly job; ``since`` is the generation that found this to be
    usual, and later ones kept it, as they had no news. ``trap_nights`` is the stratum's effort, for all its groups.
    """

    season = models.ForeignKey(Season, on_delete=models.CASCADE)
    region = models.ForeignKey(Region, on_delete=models.CASCADE)
    window = models.ForeignKey(Window, on_delete=models.CASCADE)
    group = models.ForeignKey(Group, on_delete=models.CASCADE)
    habitat = models.ForeignKey(Habitat, on_delete=models.CASCADE)
    generation = models.BigIntegerField()
    mean = models.FloatField()
    size = models.FloatField()
    site_shape = models.FloatField()
    returns = models.PositiveIntegerField()
    since = models.BigIntegerField(default=0, db_default=0)
    trap_nights = models.FloatField(default=0, db_default=0)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["season", "generation", "region", "window", "habitat", "group"],
                name="what_is_usual_is_said_once",
            ),
            models.CheckConstraint(
                condition=Q(mean__gt=0) & Q(size__gt=0) & Q(site_shape__gt=0), name="what_is_usual_is_positive"
            ),
        ]


class ChangeValue(models.Model):
    """One change of activity-density since the base seasons, as caught or adjusted to nights of one warmth.

    ``effective_sites`` is how many equally heavy gardens the figure rests on; the base seasons of each group stand in
    the run's parameters.
    """

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="changes")
    region = models.ForeignKey(Region, on_delete=models.PROTECT)
    group = models.ForeignKey(Group, on_delete=models.PROTECT)
    window = models.ForeignKey(Window, on_delete=models.PROTECT)
    adjusted = models.BooleanField()
    code = models.CharField(max_length=24)
    ratio = models.FloatField(null=True)
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)
    p_value = models.FloatField(null=True)
    p_adjusted = models.FloatField(null=True)
    revisited_sites = models.PositiveIntegerField()
    effective_sites = models.FloatField()
    more_sites_needed = models.PositiveIntegerField(default=0)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=Q(code__in=sorted(CHANGE_CODES)), name="a_change_has_a_known_code"),
            models.UniqueConstraint(
                fields=["run", "region", "group", "window", "adjusted"], name="a_run_gives_each_change_once"
            ),
            models.CheckConstraint(
                condition=(~Q(code="shown") & Q(ratio__isnull=True, low__isnull=True, high__isnull=True))
                | (
                    Q(code="shown", ratio__isnull=False, low__isnull=False, high__isnull=False)
                    & Q(low__gte=0)
                    & Q(low__lte=F("ratio"))
                    & Q(ratio__lte=F("high"))
                ),
                name="a_change_lies_inside_its_interval_or_is_not_shown",
            ),
            models.CheckConstraint(
                condition=(~Q(code="shown") & Q(p_value__isnull=True, p_adjusted__isnull=True))
                | (
                    Q(code="shown", p_value__isnull=False, p_adjusted__isnull=False)
                    & Q(p_value__gte=0)
                    & Q(p_value__lte=F("p_adjusted"))
                    & Q(p_adjusted__lte=1)
                ),
                name="a_shown_change_says_what_chance_alone_would_do",
            ),
        ]


class GroupsSeenValue(models.Model):
    """How many groups of the list were seen in one region over a season, and what that says at equal effort.

    ``figures`` are those of :class:`surveys.methods.groups_seen_records.RegionFigures`.
    """

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="groups_seen")
    region = models.ForeignKey(Region, on_delete=models.PROTECT)
    label = word_column(IndexLabel)
    codes = ArrayField(models.CharField(max_length=24), default=list, blank=True)
    sites = models.PositiveIntegerField()
    site_nights = models.PositiveIntegerField()
    left_out = models.PositiveIntegerField()
    groups_seen = models.PositiveSmallIntegerField()
    figures = models.JSONField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("label", IndexLabel, "groups_seen_have_a_known_label"),
            models.UniqueConstraint(fields=["run", "region"], name="a_run_counts_the_groups_of_a_region_once"),
            models.CheckConstraint(
                condition=Q(label="too_few", figures__isnull=True) | (~Q(label="too_few") & Q(figures__isnull=False)),
                name="groups_seen_have_figures_or_are_not_shown",
            ),
            models.CheckConstraint(
                condition=Q(site_nights__gte=F("sites")), name="a_site_of_groups_seen_has_at_least_a_night"
            ),
        ]
