"""Releases: frozen, numbered, checksummed datasets."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from surveys.models.indices import Run
from surveys.models.seasons import Season
from surveys.models.words import only_words, word_column
from surveys.vocabulary import ReleaseState


class Release(models.Model):
    """A frozen dataset: what is in it, under which number and checksum."""

    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="releases")
    version = models.CharField(max_length=20, unique=True)
    run = models.ForeignKey(Run, null=True, on_delete=models.PROTECT)
    state = word_column(ReleaseState, default=ReleaseState.PUBLISHED)
    manifest = models.JSONField()
    sha256 = models.CharField(max_length=64)
    published_at = models.DateTimeField(default=timezone.now)
    withdrawn_because = models.CharField(max_length=300, blank=True, default="")

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("state", ReleaseState, "a_release_is_published_or_withdrawn"),
            models.CheckConstraint(
                condition=Q(version__regex=r"^[0-9]+\.[0-9]+\.[0-9]+$"), name="a_release_number_has_three_parts"
            ),
            models.CheckConstraint(
                condition=~Q(state="withdrawn") | ~Q(withdrawn_because=""), name="a_withdrawn_release_says_why"
            ),
        ]

    def __str__(self) -> str:
        return self.version
