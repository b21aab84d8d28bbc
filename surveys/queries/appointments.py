"""Who holds which role, and who is invited to one."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.errors import NotFound
from surveys.models import Account, Appointment, Invitation, Region
from surveys.permissions import Visitor, appointments_seen_by, may_appoint
from surveys.vocabulary import Role

#: One link invites to so many regions at most; there are fewer regions than this in any season.
MOST_REGIONS = 200


def people_in_office(visitor: Visitor) -> QuerySet[Appointment]:
    """Return the appointments that the visitor may know of, with account and region. Three queries at most.

    Each carries ``has_factor``: whether the account has set up its second factor.
    """
    device = TOTPDevice.objects.filter(user_id=OuterRef("account_id"), confirmed=True)
    return (
        appointments_seen_by(visitor)
        .select_related("account", "region")
        .annotate(has_factor=Exists(device))
        .order_by("account__email", "role", "region__position", "region__code", "pk")
    )


def person_in_office(visitor: Visitor, account: int) -> Account:
    """Return somebody who holds a role that the visitor may know of. Two queries. Raises NotFound."""
    found = people_in_office(visitor).filter(account_id=account).first()
    if found is None:
        raise NotFound(gettext("There is nobody here with this number."))
    return found.account


def open_invitations(visitor: Visitor, *, now: datetime) -> QuerySet[Invitation]:
    """Return the invitations that can still be taken up, for somebody who may invite. Two queries."""
    if not may_appoint(visitor):
        return Invitation.objects.none()
    return still_open(now).select_related("region").order_by("email", "role", "region__position", "pk")


def still_open(now: datetime) -> QuerySet[Invitation]:
    """Return the invitations that are neither taken up, called back nor over. One query."""
    waiting = Invitation.objects.filter(taken_up_at__isnull=True, called_back_at__isnull=True)
    return waiting.filter(expires_at__gt=now).exclude(email="")


def invitations_of(link: str) -> QuerySet[Invitation]:
    """Return all that one link invites to, whether it still stands or not. One query."""
    return Invitation.objects.filter(digest__in=digests_of(link, MOST_REGIONS)).select_related("region").order_by("pk")


def digests_of(link: str, number: int) -> list[str]:
    """Return what is stored of a link: one digest for each role and region that it invites to."""
    return [hashlib.sha256(f"{link}:{place}".encode()).hexdigest() for place in range(number)]


def regions_on_offer() -> list[Region]:
    """Return the regions that somebody can be invited to. One query."""
    return list(Region.objects.order_by("position", "code"))


def holds_all(account_id: int, wanted: Sequence[tuple[str, int | None]]) -> bool:
    """Say whether an account holds every one of these roles and regions. One query."""
    held = set(Appointment.objects.filter(account_id=account_id).values_list("role", "region_id"))
    return set(wanted) <= held


def leads() -> QuerySet[Appointment]:
    """Return the appointments that let appoint others, in the order in which they are locked. One query."""
    return Appointment.objects.filter(region__isnull=True, role__in=[Role.COORDINATOR, Role.OPERATOR]).order_by("pk")
