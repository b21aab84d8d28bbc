"""Releases: frozen, numbered, checksummed datasets; and exports of live data, which nobody cites."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from knox.models import AbstractAuthToken

from surveys.models.indices import Run
from surveys.models.jobs import Job
from surveys.models.people import Account
from surveys.models.seasons import Region, Season
from surveys.models.words import only_words, word_column
from surveys.vocabulary import ExportTable, FileKind, ReleaseState, TokenScope


class Release(models.Model):
    """A frozen dataset: what is in it, under which number and checksum. Only its withdrawal is ever written to it.

    ``manifest`` holds ``files``: path, bytes, sha256, media type, and rows of tables. ``sha256`` is that of the file
    ``manifest.json``. ``summary`` holds what its page tells: rows of each table, and what changed.
    """

    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="releases")
    version = models.CharField(max_length=20, unique=True)
    #: Major, minor and patch as one number, so that the newest is found by an index.
    number = models.BigIntegerField(unique=True)
    run = models.ForeignKey(Run, null=True, on_delete=models.PROTECT)
    job = models.OneToOneField(Job, null=True, on_delete=models.PROTECT, related_name="release")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="+")
    because = models.CharField(max_length=300, blank=True, default="")
    replaces = models.ForeignKey("self", null=True, on_delete=models.PROTECT, related_name="replaced_by")
    state = word_column(ReleaseState, default=ReleaseState.PUBLISHED)
    manifest = models.JSONField()
    summary = models.JSONField(default=dict)
    sha256 = models.CharField(max_length=64)
    frozen_at = models.DateTimeField()
    published_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_because = models.CharField(max_length=300, blank=True, default="")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("state", ReleaseState, "a_release_is_published_or_withdrawn"),
            models.CheckConstraint(
                condition=Q(version__regex=r"^(0|[1-9][0-9]{0,3})\.(0|[1-9][0-9]{0,3})\.(0|[1-9][0-9]{0,3})$"),
                name="a_release_number_has_three_parts",
            ),
            models.CheckConstraint(
                condition=Q(state="published", withdrawn_because="", withdrawn_at__isnull=True)
                | (Q(state="withdrawn", withdrawn_at__isnull=False) & ~Q(withdrawn_because="")),
                name="a_withdrawn_release_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.version


class ReleasedSite(models.Model):
    """That a release told a place of a site for the first time: its region, or its cell too.

    Later releases know from it who is new, and what cannot be taken back. It names the site by its public id only,
    which stands in the release as well.
    """

    public_id = models.UUIDField()
    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="new_sites")
    region = models.ForeignKey(Region, on_delete=models.PROTECT, related_name="+")
    #: Empty where the release showed the region alone.
    cell_code = models.CharField(max_length=24, blank=True, default="")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["public_id", "cell_code"], name="a_place_of_a_site_is_told_once"),
        ]


class ReleasedCell(models.Model):
    """Effort in one grid cell of one region and season, as a release tells it."""

    release = models.ForeignKey(Release, on_delete=models.CASCADE, related_name="cells")
    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="+")
    region = models.ForeignKey(Region, on_delete=models.PROTECT, related_name="+")
    cell_code = models.CharField(max_length=24)
    cell_latitude = models.FloatField()
    cell_longitude = models.FloatField()
    cell_uncertainty_m = models.PositiveIntegerField()
    sites = models.PositiveIntegerField()
    returns = models.PositiveIntegerField()
    trap_nights = models.FloatField()

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["release", "season", "region", "cell_code"], name="a_release_tells_of_a_cell_once"
            ),
            models.CheckConstraint(condition=Q(sites__gte=5), name="a_cell_stands_for_five_gardens_or_more"),
        ]


class Export(models.Model):
    """Live data as one researcher asked for them: a file for some days, which is no release."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    by = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="exports")
    season = models.ForeignKey(Season, on_delete=models.CASCADE, related_name="+")
    job = models.OneToOneField(Job, on_delete=models.CASCADE, related_name="export")
    table = word_column(ExportTable)
    kind = word_column(FileKind)
    filters = models.JSONField(default=dict)
    asked_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    rows = models.PositiveBigIntegerField(null=True)
    size_bytes = models.PositiveBigIntegerField(null=True)
    sha256 = models.CharField(max_length=64, blank=True, default="")
    written_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("table", ExportTable, "an_export_is_of_a_known_table"),
            only_words("kind", FileKind, "an_export_is_of_a_known_kind"),
            models.CheckConstraint(condition=Q(expires_at__gt=F("asked_at")), name="an_export_ends_after_it_was_asked"),
            models.CheckConstraint(
                condition=Q(written_at__isnull=True)
                | (Q(rows__isnull=False) & Q(size_bytes__isnull=False) & ~Q(sha256="")),
                name="a_written_export_says_what_it_is",
            ),
        ]
        indexes: ClassVar[list[Any]] = [models.Index(fields=["by", "-asked_at"], name="exports_of_an_account")]


class Token(AbstractAuthToken):  # type: ignore[misc]
    """A token of a script: kept as a digest, for some uses, until it runs out."""

    name = models.CharField(max_length=80, blank=True, default="")
    scopes = ArrayField(models.CharField(max_length=20), default=list)
    last_used_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(scopes__contained_by=TokenScope.values()), name="a_token_is_for_known_uses"
            ),
        ]
