"""Seasons and what they are made of: protocol, groups, habitats, regions, windows."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from surveys.models.words import only_words, word_column
from surveys.vocabulary import Licence, SeasonState, Tier


class Protocol(models.Model):
    """A numbered version of how a trap is set; its ranges are data, not code."""

    version = models.CharField(max_length=20, unique=True)
    limits = models.JSONField()
    agreed_on = models.DateField()

    def __str__(self) -> str:
        return f"protocol {self.version}"


class Group(models.Model):
    """An animal group that a season may ask for."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    latin = models.CharField(max_length=120)
    taxon_rank = models.CharField(max_length=80)
    tier = word_column(Tier)
    position = models.PositiveSmallIntegerField()
    how_to_tell = models.TextField()
    size = models.CharField(max_length=80)
    planning_typical = models.FloatField()
    planning_high = models.FloatField()
    ceiling = models.PositiveIntegerField()
    look_alikes = ArrayField(models.CharField(max_length=40), default=list, blank=True)
    soil_role = models.TextField(blank=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [only_words("tier", Tier, "a_group_is_core_or_extra")]

    def __str__(self) -> str:
        return self.name


class Habitat(models.Model):
    """The microhabitat of a trap."""

    code = models.SlugField(max_length=40, unique=True)
    label = models.CharField(max_length=80)
    hint = models.CharField(max_length=200, blank=True)
    position = models.PositiveSmallIntegerField()

    def __str__(self) -> str:
        return self.label


class Region(models.Model):
    """A coordinator's area; its boundary is a GeoJSON geometry in WGS84."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    boundary = models.JSONField()
    position = models.PositiveSmallIntegerField()

    def __str__(self) -> str:
        return self.name


class Season(models.Model):
    """One survey year: what is asked, where, when, under which protocol and licence."""

    code = models.SlugField(max_length=40, unique=True)
    title = models.CharField(max_length=120)
    organiser = models.CharField(max_length=120)
    contact = models.CharField(max_length=200)
    protocol = models.ForeignKey(Protocol, on_delete=models.PROTECT)
    opens_on = models.DateField()
    closes_on = models.DateField()
    time_zone = models.CharField(max_length=60)
    licence = word_column(Licence)
    review_budget = models.FloatField(help_text="Share of returns that coordinators can read, 0 to 1.")
    welcome = models.TextField(max_length=2000, blank=True, default="")
    tray_photos = models.BooleanField(default=False, help_text="Whether households may send a photo of the tray.")
    invented = models.BooleanField(
        default=False, help_text="A demonstration: its returns are invented and enter no release of another season."
    )
    state = word_column(SeasonState, default=SeasonState.DRAFT)
    groups = models.ManyToManyField(Group, through="SeasonGroup")
    habitats = models.ManyToManyField(Habitat, through="SeasonHabitat")
    regions = models.ManyToManyField(Region)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("state", SeasonState, "a_season_is_draft_open_or_closed"),
            only_words("licence", Licence, "a_season_has_a_known_licence"),
            models.CheckConstraint(condition=Q(closes_on__gte=F("opens_on")), name="a_season_closes_after_it_opens"),
            models.CheckConstraint(
                condition=Q(review_budget__gt=0) & Q(review_budget__lte=1), name="a_review_budget_is_a_share"
            ),
        ]

    def __str__(self) -> str:
        return self.title


class SeasonGroup(models.Model):
    """A group on a season's list, in the order in which it is asked."""

    season = models.ForeignKey(Season, on_delete=models.CASCADE)
    group = models.ForeignKey(Group, on_delete=models.PROTECT)
    position = models.PositiveSmallIntegerField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["season", "group"], name="a_group_stands_once_on_a_season_list"),
            models.UniqueConstraint(fields=["season", "position"], name="a_place_on_a_season_list_is_taken_once"),
        ]


class SeasonHabitat(models.Model):
    """A habitat of a season with its fixed, published weight."""

    season = models.ForeignKey(Season, on_delete=models.CASCADE)
    habitat = models.ForeignKey(Habitat, on_delete=models.PROTECT)
    weight = models.FloatField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["season", "habitat"], name="a_habitat_stands_once_in_a_season"),
            models.CheckConstraint(condition=Q(weight__gte=0) & Q(weight__lte=1), name="a_habitat_weight_is_a_share"),
        ]


class Window(models.Model):
    """A survey window of a season: the period of an index."""

    season = models.ForeignKey(Season, on_delete=models.CASCADE, related_name="windows")
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    first_day = models.DateField()
    last_day = models.DateField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["season", "code"], name="a_window_code_is_used_once_in_a_season"),
            models.CheckConstraint(condition=Q(last_day__gte=F("first_day")), name="a_window_ends_after_it_begins"),
        ]

    def __str__(self) -> str:
        return self.name


class SeasonPlan(models.Model):
    """A season in the making, as the mapping from which a season is opened; nothing of it is in force before."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    plan = models.JSONField(default=dict)
    boundaries = models.JSONField(default=dict)
    limits = models.JSONField(default=dict, help_text="Ranges of a new protocol version; empty for one that exists.")
    version = models.PositiveIntegerField(default=1)
    by = models.ForeignKey("surveys.Account", null=True, on_delete=models.SET_NULL, related_name="season_plans")
    made_at = models.DateTimeField(default=timezone.now)
    changed_at = models.DateTimeField(default=timezone.now)
    opened_as = models.OneToOneField(Season, null=True, on_delete=models.PROTECT, related_name="made_from")
    dropped_at = models.DateTimeField(null=True)
