"""What a coordinator writes for her region: its safety page, and news. Rows are added, never edited."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from surveys.models.people import Account
from surveys.models.seasons import Region


class SafetyPage(models.Model):
    """One version of a region's safety and welfare page: the latest one is shown, with its date."""

    region = models.ForeignKey(Region, on_delete=models.CASCADE, related_name="safety_pages")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL)
    text = models.TextField(max_length=8000)
    dated = models.DateField()
    written_at = models.DateTimeField(default=timezone.now)

    class Meta:
        indexes: ClassVar[list[Any]] = [models.Index(fields=["region", "-id"], name="safety_pages_by_region")]


class News(models.Model):
    """A few lines for the households of a region, or of all regions where none is named."""

    region = models.ForeignKey(Region, null=True, on_delete=models.CASCADE, related_name="news")
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL)
    title = models.CharField(max_length=120)
    text = models.TextField(max_length=4000)
    written_at = models.DateTimeField(default=timezone.now)
    taken_down_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=~Q(title="") & ~Q(text=""), name="news_say_something"),
        ]
        indexes: ClassVar[list[Any]] = [models.Index(fields=["region", "-id"], name="news_by_region")]
