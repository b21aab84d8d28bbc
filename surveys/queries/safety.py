"""What a coordinator wrote about safety in her region: the latest version, and the dates of those before it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import OuterRef, Subquery

from surveys.errors import NotFound
from surveys.models import Region, SafetyPage
from surveys.permissions import Visitor, regions_of

#: So many dates of older versions are listed; the versions themselves all stay.
DATES_LISTED = 50


@dataclass(frozen=True, slots=True)
class RegionSafety:
    """A region, its latest safety text (None before there is one), and the dates on which it was written anew."""

    region: Region
    latest: SafetyPage | None
    dates: tuple[date, ...]


@dataclass(frozen=True, slots=True)
class RegionDate:
    """A region, and the date of its latest safety text if there is one."""

    region: Region
    dated: date | None


def region_safety(code: str) -> RegionSafety:
    """Return what stands on a region's safety page. Three queries."""
    region = Region.objects.filter(code=code).first()
    if region is None:
        raise NotFound(f"There is no region with the code {code!r}. The guide lists the regions there are.")
    return _safety_of(region)


def region_safety_in_care(visitor: Visitor, code: str) -> RegionSafety:
    """Return the same for a region in the visitor's care; one in another's care is not there. Three queries."""
    region = regions_of(visitor).filter(code=code).first()
    if region is None:
        raise NotFound("There is no region in your care with this code.")
    return _safety_of(region)


def regions_with_dates() -> list[RegionDate]:
    """Return all regions in their order, each with the date of its latest safety text. One query."""
    newest = SafetyPage.objects.filter(region=OuterRef("pk")).order_by("-id").values("dated")[:1]
    regions = Region.objects.annotate(safety_dated=Subquery(newest)).order_by("position", "code")
    return [RegionDate(region, region.safety_dated) for region in regions]


def _safety_of(region: Region) -> RegionSafety:
    latest = region.safety_pages.order_by("-id").first()
    dates = region.safety_pages.order_by("-id").values_list("dated", flat=True)[:DATES_LISTED]
    return RegionSafety(region, latest, tuple(dates) if latest else ())
