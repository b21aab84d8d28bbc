"""Tray photos as their senders and the coordinators of the region may see them."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Q, QuerySet

from surveys.errors import NotFound
from surveys.models import Account, Return, TrayPhoto
from surveys.permissions import Visitor, returns_in_care_of, returns_of, traps_of


def photo_of(report: Return) -> TrayPhoto | None:
    """Return what is known of a return's tray photo, without the picture. One query."""
    return TrayPhoto.objects.filter(report=report).defer("picture").first()


def own_photo(visitor: Visitor, uuid: UUID) -> TrayPhoto:
    """Return the photo of one of the visitor's own returns, with its picture. Two queries."""
    return _with_picture(returns_of(visitor), uuid)


def photo_in_care(visitor: Visitor, uuid: UUID) -> TrayPhoto:
    """Return the photo of a return from the visitor's regions, with its picture. One query."""
    return _with_picture(returns_in_care_of(visitor), uuid)


def own_photos(account: Account) -> QuerySet[TrayPhoto]:
    """Return the photos of everything that somebody sent, for their own download. One query."""
    returns = Return.objects.filter(Q(trap__in=traps_of(account)) | Q(sender=account))
    return TrayPhoto.objects.filter(report__in=returns).select_related("report").order_by("pk")


def _with_picture(returns: QuerySet[Return], uuid: UUID) -> TrayPhoto:
    photo = TrayPhoto.objects.filter(report__in=returns.filter(uuid=uuid)).select_related("report").first()
    if photo is None:
        raise NotFound("There is no tray photo with this return.")
    return photo
