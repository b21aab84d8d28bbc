"""Exports as the one who asked for them may see them."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.db.models import QuerySet
from django.utils import timezone

from surveys.errors import NotFound
from surveys.models import Account, Export


def exports_of(account: Account) -> QuerySet[Export]:
    """Return an account's exports that are still kept, with job and season. One query."""
    kept = Export.objects.filter(by=account, expires_at__gt=timezone.now())
    return kept.select_related("job", "season")


def own_export(account: Account, public_id: UUID) -> Export:
    """Return one of an account's exports. One query."""
    found = exports_of(account).filter(public_id=public_id).first()
    if found is None:
        raise NotFound("There is no export of yours with this id. An export is kept for a week.")
    return found


def file_of(export: Export) -> Path:
    """Return where the file of an export lies once it is written. No query."""
    folder: Path = settings.EXPORTS_FOLDER
    return folder / f"{export.public_id}.{export.kind}"
