"""Tray photos: repainted on arrival, seen by the coordinators of the region only, never published."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from surveys.models.returns import Return


class TrayPhoto(models.Model):
    """The picture of one catch: a JPEG that this service painted itself, kept in the database with the rest."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    report = models.OneToOneField(Return, on_delete=models.CASCADE, related_name="tray_photo")
    picture = models.BinaryField()
    width = models.PositiveSmallIntegerField()
    height = models.PositiveSmallIntegerField()
    received_at = models.DateTimeField(default=timezone.now)
    cropped_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=Q(width__gt=0) & Q(height__gt=0), name="a_tray_photo_has_a_size"),
        ]
