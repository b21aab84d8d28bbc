"""A new site: where it lies, then what is kept of that.

The place is chosen on a map of lettered squares, or typed, or taken from the phone after a press on a button. It
is sent with POST only, so that no garden stands in an address or a log.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import NotFound, Refusal
from surveys.methods.garden_squares import (
    GardenSquare,
    cells_of,
    point_of_square,
    square_of,
    squares_in_region,
    squares_of,
)
from surveys.permissions import Rule, account_of
from surveys.queries.sites import own_household, own_households, region_that_holds, regions_on_the_map
from surveys.services.sites import add_site
from surveys.web.access import page
from surveys.web.coordinates import Angle, Place, other_places, read_angle, read_place, split_pair
from surveys.web.maps import draw_regions
from surveys.web.return_form import read_identity
from surveys.web.shown import Shown
from surveys.web.site_map import draw_cell, draw_region, draw_square

BOXES = ("latitude", "longitude")
#: What the check page hands on untouched.
CARRIED = ("region", "cell", "square", *BOXES)
#: The one page that may ask a phone where it is, and only after a press on its button.
MAY_ASK_WHERE = "camera=(), microphone=(), geolocation=(self)"


@dataclass(frozen=True, slots=True)
class Chosen:
    """A place that lies in a region: the point, its square, and whether it is finer than the square."""

    latitude: float
    longitude: float
    region: Any
    square: GardenSquare
    exact: bool


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def new_site(request: HttpRequest) -> HttpResponse:
    """Ask where a site lies, show what would be kept of it, and add it."""
    if request.method != "POST":
        return _map_page(request, request.GET)
    faults: dict[str, str] = {}
    chosen = _read(request.POST, faults)
    if chosen is None:
        others = () if faults.get("square") else _offers(request.POST)
        return _which_page(request, others) if others else _map_page(request, request.POST, faults)
    if request.POST.get("step") != "add":
        return _check_page(request, chosen)
    return _add(request, chosen)


def _add(request: HttpRequest, chosen: Chosen) -> HttpResponse:
    try:
        household = own_household(request.user, uuid.UUID(request.POST.get("household", "")))
    except (ValueError, NotFound):
        return _check_page(request, chosen, {"household": _("Choose for whom the site is.")})
    try:
        site = add_site(
            by=account_of(request.user),
            household=household,
            latitude=chosen.latitude,
            longitude=chosen.longitude,
            fine=chosen.exact and request.POST.get("fine") == "yes",
            public_id=read_identity(request.POST.get("id", "")),
        )
    except Refusal as refusal:
        return _check_page(request, chosen, {"": refusal.sentence})
    messages.success(request, _("Your site is there. Now add its traps."))
    return redirect("my-site", site.public_id)


# Reading ---------------------------------------------------------------------------------------


def _read(given: Mapping[str, str], faults: dict[str, str]) -> Chosen | None:
    """Return the place that was chosen or typed; add what is wrong to ``faults``, by box."""
    if given.get("cell"):
        return _read_square(given, faults)
    angles = _angles(given, faults)
    if angles is None:
        return None
    place = read_place(*angles)
    region = region_that_holds(place.latitude, place.longitude) if place else None
    if place is None or region is None:
        faults["latitude"] = _(
            "This place is in no region of the count. Look at both numbers again. "
            "West and south need a minus or the letters W and S."
        )
        return None
    return Chosen(place.latitude, place.longitude, region, square_of(place.latitude, place.longitude), exact=True)


def _read_square(given: Mapping[str, str], faults: dict[str, str]) -> Chosen | None:
    """Read a square of the map. A marker that a script set inside the square makes the place finer."""
    region = next((one for one in regions_on_the_map() if one.code == given.get("region")), None)
    cell = _cell(region, given)
    name = given.get("square", "")
    if region is None or cell is None or name not in squares_in_region(cell, region.boundary):
        faults["square"] = _("Choose the square in which your ground lies.")
        return None
    square = next(one for one in squares_of(cell) if one.name == name)
    marked = _marker(given, square)
    latitude, longitude = marked or point_of_square(square, region.boundary)
    return Chosen(latitude, longitude, region, square, exact=marked is not None)


def _marker(given: Mapping[str, str], square: GardenSquare) -> tuple[float, float] | None:
    north, east = (read_angle(given.get(box, "")) for box in BOXES)
    place = read_place(north, east) if north and east else None
    if place is None or square_of(place.latitude, place.longitude) != square:
        return None
    region = region_that_holds(place.latitude, place.longitude)
    return (place.latitude, place.longitude) if region and region.code == given.get("region") else None


def _angles(given: Mapping[str, str], faults: dict[str, str]) -> tuple[Angle, Angle] | None:
    typed = [given.get(box, "").strip() for box in BOXES]
    pair = split_pair(typed[0]) if typed[0] and not typed[1] else None
    north, east = (read_angle(text) for text in (pair or typed))
    if north is None:
        faults["latitude"] = _("Write how far north or south, such as 51.5012 or 51° 30' 4\" N.")
    if east is None:
        faults["longitude"] = _("Write how far east or west, such as -18.0433 or 18° 2' 36\" W.")
    return (north, east) if north and east else None


def _offers(given: Mapping[str, str]) -> tuple[dict[str, Any], ...]:
    """Return the other readings of what was typed that lie in a region."""
    angles = _angles(given, {})
    if angles is None:
        return ()
    regions: dict[Place, Any] = {}

    def lies_in_one(place: Place) -> bool:
        regions[place] = region_that_holds(place.latitude, place.longitude)
        return regions[place] is not None

    return tuple({"place": one, "region": regions[one], **_said(one)} for one in other_places(*angles, lies_in_one))


def _said(place: Place) -> dict[str, str]:
    """Return both numbers without a sign, and their letters."""
    return {
        "north": f"{abs(place.latitude):.4f}",
        "east": f"{abs(place.longitude):.4f}",
        "north_letter": "N" if place.latitude >= 0 else "S",
        "east_letter": "E" if place.longitude >= 0 else "W",
        "latitude": f"{place.latitude:.6f}",
        "longitude": f"{place.longitude:.6f}",
    }


def _cell(region: Any, given: Mapping[str, str]) -> Any:
    cells = cells_of(region.boundary) if region else ()
    return next((cell for _name, cell in cells if cell.code == given.get("cell")), None)


# Pages -----------------------------------------------------------------------------------------


def _map_page(request: HttpRequest, given: Mapping[str, str], faults: dict[str, str] | None = None) -> HttpResponse:
    """Show the picture that fits what was chosen so far: all regions, one region, or one cell of it."""
    regions = tuple(regions_on_the_map())
    region = next((one for one in regions if one.code == given.get("region")), None)
    shown: dict[str, Any] = {
        "region": region,
        "answers": {box: given.get(box, "") for box in BOXES},
        "households": own_households(request.user),
    }
    others = [one.boundary for one in regions if one is not region]
    if region is None:
        drawn = draw_regions([(one.code, one.boundary) for one in regions])
        shown |= {"map": drawn, "regions": list(zip(regions, drawn.outlines, strict=True)) if drawn else []}
        template = "ground/new_site.html"
    elif (cell := _cell(region, given)) is None:
        shown["map"] = draw_region(region.boundary, others)
        template = "ground/new_site_region.html"
    else:
        named = next(name for name, one in cells_of(region.boundary) if one.code == cell.code)
        shown |= {"map": draw_cell(cell, region.boundary, others), "cell": cell, "cell_name": named}
        template = "ground/new_site_square.html"
    # A hand-made request may name a square on a page that shows none: then the words lead nowhere.
    shown |= _fault_lists(faults or {}, known=("square",) if template.endswith("square.html") else BOXES)
    answer = render(request, template, shown, status=422 if faults else 200)
    if region is None:
        answer["Permissions-Policy"] = MAY_ASK_WHERE
    return answer


def _which_page(request: HttpRequest, offers: tuple[dict[str, Any], ...]) -> HttpResponse:
    """Ask which of several readings is meant: none is taken without an answer."""
    answers = {box: request.POST.get(box, "") for box in BOXES}
    typed = "; ".join(filter(None, answers.values()))
    return render(request, "ground/new_site_which.html", {"offers": offers, "answers": answers, "typed": typed})


def _check_page(request: HttpRequest, chosen: Chosen, faults: dict[str, str] | None = None) -> HttpResponse:
    shown = {
        "chosen": chosen,
        "map": draw_square(chosen.square, chosen.region.boundary),
        "households": own_households(request.user),
        "household": request.POST.get("household", ""),
        "fine": request.POST.get("fine") == "yes",
        "carried": {name: request.POST.get(name, "") for name in CARRIED},
        "id": read_identity(request.POST.get("id", "")),
        **_fault_lists(faults or {}),
    }
    return render(request, "ground/new_site_check.html", shown, status=422 if faults else 200)


def _fault_lists(faults: dict[str, str], known: tuple[str, ...] = ("household",)) -> dict[str, Any]:
    """Return the faults by field, and as the summary lists them: with a link where the page has such a field."""
    lines = [Shown(words, name if name in known else "") for name, words in faults.items()]
    return {"faults": faults, "fault_list": lines}
