"""One's own households, sites and traps."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Prefetch, QuerySet

from surveys.errors import NotFound
from surveys.models import Household, Site, Trap
from surveys.permissions import Visitor, households_of, sites_of, traps_of


def own_households(visitor: Visitor) -> QuerySet[Household]:
    """Return the visitor's households and schools. One query."""
    return households_of(visitor).order_by("id")


def own_household(visitor: Visitor, public_id: UUID) -> Household:
    """Return one of the visitor's households. One query."""
    household = households_of(visitor).filter(public_id=public_id).first()
    if household is None:
        raise NotFound("There is no household of yours with this id.")
    return household


def own_sites(visitor: Visitor) -> QuerySet[Site]:
    """Return the visitor's sites with point, region and traps. Two queries."""
    return (
        sites_of(visitor)
        .select_related("household", "region", "point")
        .prefetch_related(Prefetch("traps", Trap.objects.select_related("habitat").order_by("number")))
        .order_by("id")
    )


def own_traps(visitor: Visitor) -> QuerySet[Trap]:
    """Return the visitor's traps with site and habitat. One query."""
    return traps_of(visitor).select_related("site__region", "site__household", "habitat").order_by("site_id", "number")
