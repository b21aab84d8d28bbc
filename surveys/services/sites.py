"""Sites and traps: the exact point is kept apart, the public cell is worked out once."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction
from django.db.models import Max

from surveys.errors import Fault, Faulty, NotFound
from surveys.methods.geography import region_holds, snap_to_cell
from surveys.models import Account, Habitat, Household, Region, Site, SitePoint, Trap
from surveys.permissions import sites_of
from surveys.services.events import write_event

#: Exact points are kept to four decimals, about 11 m: enough to tell two gardens apart.
POINT_DECIMALS = 4


def add_site(*, by: Account, household: Household, latitude: float, longitude: float) -> Site:
    """Add a site in the region that holds its point; refuse a point outside every region."""
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise Faulty(
            "The place of the site could not be read.",
            faults=(
                Fault(
                    "/latitude", "not_on_earth", "A latitude is between -90 and 90, a longitude between -180 and 180."
                ),
            ),
        )
    region = next(
        (one for one in Region.objects.order_by("position") if region_holds(one.boundary, latitude, longitude)), None
    )
    if region is None:
        raise Faulty(
            "The site lies outside every region of the survey. Check that latitude comes before longitude, "
            "and that west and south carry a minus sign.",
            faults=(Fault("/latitude", "outside_all_regions", "No region of the survey holds this point."),),
        )
    cell = snap_to_cell(latitude, longitude)
    with transaction.atomic(durable=True):
        household = Household.objects.select_for_update().get(pk=household.pk)
        if household.keeper_id != by.pk:
            raise NotFound("There is no household of yours with this id.")
        last = household.sites.aggregate(last=Max("number"))["last"] or 0
        site = Site.objects.create(
            household=household,
            number=last + 1,
            region=region,
            cell_code=cell.code,
            cell_latitude=cell.centre_lat,
            cell_longitude=cell.centre_lon,
            cell_uncertainty_m=cell.uncertainty_m,
        )
        SitePoint.objects.create(
            site=site, latitude=round(latitude, POINT_DECIMALS), longitude=round(longitude, POINT_DECIMALS)
        )
        write_event(by=by, verb="site added", subject=site, details={"region": region.code})
    return site


def add_trap(*, by: Account, site: UUID, habitat: str) -> Trap:
    """Add a trap with the next number of its site."""
    with transaction.atomic(durable=True):
        place = sites_of(by).select_for_update(of=("self",)).filter(public_id=site).first()
        if place is None:
            raise NotFound("There is no site of yours with this id.")
        kind = Habitat.objects.filter(code=habitat).first()
        if kind is None:
            known = ", ".join(Habitat.objects.order_by("position").values_list("code", flat=True))
            raise Faulty(
                "The habitat of the trap is not known.",
                faults=(Fault("/habitat", "unknown_habitat", f"{habitat!r} is not a habitat. There are: {known}."),),
            )
        last = place.traps.aggregate(last=Max("number"))["last"] or 0
        trap = Trap.objects.create(site=place, number=last + 1, habitat=kind)
        write_event(by=by, verb="trap added", subject=trap, details={"habitat": kind.code})
    return trap
