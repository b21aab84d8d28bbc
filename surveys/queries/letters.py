"""Letters that are due, whom they may go to, and the traps that stand open too long."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import Count, Max, Q, QuerySet

from surveys.methods.looks import OVERDUE
from surveys.models import Account, Letter, Opening, Region
from surveys.permissions import Visitor, regions_of
from surveys.vocabulary import LetterKind, Role

#: Letters of one kind to one person that fall due within this time go out as one.
TAKEN_ALONG = timedelta(minutes=20)
#: Letters about one setting; several of them to one person make one mail.
REMINDERS = frozenset(
    {
        LetterKind.LOOK_AT_DUSK,
        LetterKind.LOOK_AT_DAWN,
        LetterKind.EMPTY_NOW,
        LetterKind.OVERDUE,
        LetterKind.OVERDUE_REGION,
    }
)


def letters_to_send() -> QuerySet[Letter]:
    """Return the letters that are neither sent nor dropped, with account and setting. One query."""
    return (
        Letter.objects.filter(sent_at__isnull=True, dropped_at__isnull=True)
        .select_related("account", "opening__trap__site__region")
        .order_by("due_at", "id")
    )


def letters_that_go_along(first: Letter, *, now: datetime) -> QuerySet[Letter]:
    """Return the other letters of the same kind to the same person that are due about now. One query."""
    if first.kind not in REMINDERS:
        return Letter.objects.none()
    until = max(now, first.due_at + TAKEN_ALONG)
    return letters_to_send().filter(account=first.account, kind=first.kind, due_at__lte=until).exclude(pk=first.pk)


def coordinators_of(region: Region) -> QuerySet[Account]:
    """Return the coordinators of a region, those of all regions too. One query."""
    of_region = Q(appointments__region=region) | Q(appointments__region__isnull=True)
    return Account.objects.filter(of_region, appointments__role=Role.COORDINATOR, is_active=True).distinct()


def overdue_openings(visitor: Visitor, *, now: datetime) -> QuerySet[Opening]:
    """Return the traps that stand open too long in the visitor's regions, the longest first. One query.

    Each carries ``letters_sent`` and ``last_letter_at``: what went to its keeper since it was late.
    """
    late = Q(letters__kind=LetterKind.OVERDUE, letters__sent_at__isnull=False)
    return (
        Opening.objects.filter(
            ended_at__isnull=True, set_at__lte=now - OVERDUE, trap__site__region__in=regions_of(visitor)
        )
        .select_related("trap__site__region", "trap__site__household__keeper")
        .annotate(letters_sent=Count("letters", filter=late), last_letter_at=Max("letters__sent_at", filter=late))
        .order_by("set_at", "id")
    )
