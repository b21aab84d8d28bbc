"""Sites and traps: what is kept of a place is kept apart, the public cell is worked out once."""

from __future__ import annotations

import secrets
from typing import Any
from uuid import UUID, uuid4, uuid5

from django.db import IntegrityError, transaction
from django.db.models import Max

from surveys.errors import Conflict, Fault, Faulty, NotFound
from surveys.methods.garden_squares import FINE_TO_M, KEPT_TO_M, fine_point, kept_point
from surveys.methods.geography import snap_to_cell
from surveys.models import Account, Habitat, Household, Site, SitePoint, Trap
from surveys.permissions import sites_of, traps_of
from surveys.queries.sites import region_that_holds
from surveys.services.events import write_event

#: Letters and digits that nobody takes for one another. Reference: Crockford's base 32, from memory.
CODE_SIGNS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
#: The plan that a household draws of its ground: eight columns, eight rows.
PLAN_COLUMNS, PLAN_ROWS = "ABCDEFGH", "12345678"
#: Traps that are added at once: as many as a school sets in a lesson.
MOST_TRAPS_AT_ONCE = 12
PLAN_SQUARES = frozenset(letter + digit for letter in PLAN_COLUMNS for digit in PLAN_ROWS)


def add_site(
    *,
    by: Account,
    household: Household,
    latitude: float,
    longitude: float,
    fine: bool = False,
    public_id: UUID | None = None,
) -> Site:
    """Add a site in the region that holds its point; refuse a point outside every region.

    Of the point, the middle of a square of about 1 km is kept, and four decimals (11 m) where the keeper wants it
    ``fine``. The region is that of the point itself. The same ``public_id`` sent again gives the same site.
    """
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise Faulty(
            "The place of the site could not be read.",
            faults=(
                Fault(
                    "/latitude", "not_on_earth", "A latitude is between -90 and 90, a longitude between -180 and 180."
                ),
            ),
        )
    region = region_that_holds(latitude, longitude)
    if region is None:
        raise Faulty(
            "The site lies outside every region of the survey. Check that latitude comes before longitude, "
            "and that west and south carry a minus sign.",
            faults=(Fault("/latitude", "outside_all_regions", "No region of the survey holds this point."),),
        )
    cell = snap_to_cell(latitude, longitude)
    point = fine_point(latitude, longitude) if fine else kept_point(latitude, longitude, region.boundary)
    with transaction.atomic(durable=True):
        household = Household.objects.select_for_update(no_key=True).get(pk=household.pk)
        if household.keeper_id != by.pk:
            raise NotFound("There is no household of yours with this id.")
        if public_id and (before := household.sites.filter(public_id=public_id).first()):
            return before
        last = household.sites.aggregate(last=Max("number"))["last"] or 0
        site = Site(
            public_id=public_id or uuid4(),
            household=household,
            number=last + 1,
            region=region,
            cell_code=cell.code,
            cell_latitude=cell.centre_lat,
            cell_longitude=cell.centre_lon,
            cell_uncertainty_m=cell.uncertainty_m,
        )
        _store(site)
        SitePoint.objects.create(
            site=site, latitude=point[0], longitude=point[1], kept_to_m=FINE_TO_M if fine else KEPT_TO_M
        )
        write_event(by=by, verb="site added", subject=site, details={"region": region.code, "fine": fine})
    return site


def coarsen_site(*, by: Account, site: UUID) -> Site:
    """Forget the fine point of one's own site and keep the middle of its square; doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        place = _own_site(by, site)
        point = SitePoint.objects.filter(site=place).first()
        if point is None or point.kept_to_m >= KEPT_TO_M:
            return place
        point.latitude, point.longitude = kept_point(point.latitude, point.longitude, place.region.boundary)
        point.kept_to_m = KEPT_TO_M
        point.save(update_fields=["latitude", "longitude", "kept_to_m"])
        write_event(by=by, verb="site kept coarser", subject=place, details={"kept_to_m": KEPT_TO_M})
    return place


def add_trap(*, by: Account, site: UUID, habitat: str, plan_square: str = "", public_id: UUID | None = None) -> Trap:
    """Add a trap with the next number of its site; the same ``public_id`` sent again gives the same trap."""
    return add_traps(by=by, site=site, habitat=habitat, number=1, plan_square=plan_square, public_id=public_id)[0]


def add_traps(
    *, by: Account, site: UUID, habitat: str, number: int, plan_square: str = "", public_id: UUID | None = None
) -> list[Trap]:
    """Add so many traps of one habitat with the next numbers of their site, all of them or none.

    The first one gets ``public_id``, and the ids of the others follow from it: the same id sent again gives the same
    traps. A square of the plan is for one trap.
    """
    ids = _ids_of_traps(public_id or uuid4())
    with transaction.atomic(durable=True):
        place = _own_site(by, site)
        if public_id and (before := list(place.traps.filter(public_id__in=ids).order_by("number"))):
            return before
        kind = Habitat.objects.filter(code=habitat).first()
        faults = [*_square_faults(plan_square), *_number_faults(number, plan_square)]
        if kind is None:
            known = ", ".join(Habitat.objects.order_by("position").values_list("code", flat=True))
            faults.append(Fault("/habitat", "unknown_habitat", f"{habitat!r} is not a habitat. There are: {known}."))
        if kind is None or faults:
            raise Faulty(
                "The habitat of the trap is not known." if kind is None else "The trap could not be added yet.",
                faults=tuple(faults),
            )
        last = place.traps.aggregate(last=Max("number"))["last"] or 0
        traps = [
            Trap(
                public_id=one,
                site=place,
                number=last + step,
                habitat=kind,
                code=make_trap_code(),
                plan_square=plan_square,
            )
            for step, one in enumerate(ids[:number], start=1)
        ]
        for trap in traps:
            _store(trap)
        details = {"habitat": kind.code, **({"traps": [trap.pk for trap in traps]} if number > 1 else {})}
        write_event(by=by, verb="trap added" if number == 1 else "traps added", subject=traps[0], details=details)
    return traps


def place_trap_on_plan(*, by: Account, trap: UUID, plan_square: str) -> Trap:
    """Say on which square of the household's own plan a trap stands; empty takes it off the plan."""
    if faults := [*_square_faults(plan_square)]:
        raise Faulty("The square could not be kept.", faults=tuple(faults))
    with transaction.atomic(durable=True):
        found = traps_of(by).select_for_update(no_key=True, of=("self",)).filter(public_id=trap).first()
        if found is None:
            raise NotFound("There is no trap of yours with this id.")
        if found.plan_square == plan_square:
            return found
        found.plan_square = plan_square
        found.save(update_fields=["plan_square"])
        write_event(by=by, verb="trap placed on plan", subject=found, details={})
    return found


def make_trap_code() -> str:
    """Return a random code of six signs, one of a thousand million; a clash is refused by the table."""
    return "".join(secrets.choice(CODE_SIGNS) for _ in range(6))


def _own_site(by: Account, public_id: UUID) -> Site:
    site = (
        sites_of(by)
        .select_for_update(no_key=True, of=("self",))
        .select_related("region")
        .filter(public_id=public_id)
        .first()
    )
    if site is None:
        raise NotFound("There is no site of yours with this id.")
    return site


def _square_faults(plan_square: str) -> list[Fault]:
    if plan_square in PLAN_SQUARES or not plan_square:
        return []
    words = f"{plan_square!r} is not a square of the plan. There are A1 to H8."
    return [Fault("/plan_square", "unknown_square", words)]


def _number_faults(number: int, plan_square: str) -> list[Fault]:
    if not 1 <= number <= MOST_TRAPS_AT_ONCE:
        return [Fault("/number", "not_so_many", f"From 1 to {MOST_TRAPS_AT_ONCE} traps are added at once.")]
    if number > 1 and plan_square:
        return [Fault("/plan_square", "square_for_one_trap", "A square of the plan is for one trap, not for several.")]
    return []


def _ids_of_traps(first: UUID) -> list[UUID]:
    """Return the ids of as many traps as one form may add; those after the first follow from it."""
    return [first, *(uuid5(first, str(step)) for step in range(2, MOST_TRAPS_AT_ONCE + 1))]


def _store(row: Any) -> None:
    """Store a new row; an id that somebody else has taken is refused."""
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        raise Conflict("This id is taken. Choose a fresh one, and send it again.", code="id_taken") from None
