"""One's own households, sites and traps."""

from __future__ import annotations

from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Prefetch, QuerySet, Subquery

from surveys.errors import NotFound
from surveys.methods.geography import region_holds
from surveys.models import Household, Opening, Region, Return, Site, Trap
from surveys.permissions import Visitor, households_of, sites_of, traps_of
from surveys.queries.seasons import current_season, open_seasons_of

#: The same words for a code that nobody has and for one of somebody else.
NO_SUCH_CODE = "None of your traps has this code."


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


def own_site(visitor: Visitor, public_id: UUID) -> Site:
    """Return one of the visitor's sites with point, region and traps; each trap says since when it is open.

    Two queries.
    """
    since = Opening.objects.filter(trap=OuterRef("pk"), ended_at__isnull=True).values("set_at")[:1]
    traps = Trap.objects.select_related("habitat").annotate(open_since=Subquery(since)).order_by("number")
    site = (
        sites_of(visitor)
        .select_related("household", "region", "point")
        .prefetch_related(Prefetch("traps", traps))
        .filter(public_id=public_id)
        .first()
    )
    if site is None:
        raise NotFound("There is no site of yours with this id.")
    return site


def own_traps(visitor: Visitor) -> QuerySet[Trap]:
    """Return the visitor's traps with site and habitat. One query."""
    return traps_of(visitor).select_related("site__region", "site__household", "habitat").order_by("site_id", "number")


def own_trap(visitor: Visitor, public_id: UUID) -> Trap:
    """Return one of the visitor's traps with site and habitat. One query."""
    trap = own_traps(visitor).filter(public_id=public_id).first()
    if trap is None:
        raise NotFound("There is no trap of yours with this id.")
    return trap


def own_trap_by_code(visitor: Visitor, code: str) -> Trap:
    """Return the visitor's trap with a short code. One query."""
    trap = own_traps(visitor).filter(code=code).first()
    if trap is None:
        raise NotFound(NO_SUCH_CODE)
    return trap


def opening_now(trap: Trap) -> Opening | None:
    """Return the setting of a trap that is open at this moment. One query."""
    return trap.openings.filter(ended_at__isnull=True).first()


def latest_returns(trap: Trap, *, most: int = 5) -> QuerySet[Return]:
    """Return the latest returns about a trap, the newest night first. One query."""
    return trap.returns.order_by("-emptied_at", "-id")[:most]


def regions_on_the_map() -> QuerySet[Region]:
    """Return all regions of the survey, in their order. One query."""
    return Region.objects.order_by("position", "code")


def region_that_holds(latitude: float, longitude: float) -> Region | None:
    """Return the region in which a point lies, the first of them on a border. One query."""
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        return None
    return next((one for one in regions_on_the_map() if region_holds(one.boundary, latitude, longitude)), None)


def zone_of(region: Region) -> ZoneInfo:
    """Return the time zone of the season in a region, else of the latest season, else UTC. At most three queries."""
    standing = open_seasons_of(region)
    season = standing[0] if standing else current_season()
    return ZoneInfo(season.time_zone) if season else ZoneInfo("UTC")
