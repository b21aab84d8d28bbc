"""One's own ground: sites and their traps."""

from __future__ import annotations

import re
import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Fault, Faulty, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.seasons import current_season, lists_of
from surveys.queries.sites import own_household, own_households, own_sites
from surveys.services.sites import add_site, add_trap
from surveys.web.access import page
from surveys.web.people import Shown

#: A number in degrees; Python's own reading would take "1_0" and "nan" as well.
_DEGREES = re.compile(r"^[+-]?\d{1,3}(?:\.\d{1,12})?$", re.ASCII)
SUCH_AS = {"latitude": "51.5012", "longitude": "-18.0433"}
NO_HOUSEHOLD = "Choose the household or school to which the site belongs."
NO_PLACE = "Choose the place where the trap stands."


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_sites(request: HttpRequest) -> HttpResponse:
    """List one's own sites, or add one."""
    if request.method != "POST":
        return _page(request)
    try:
        _add_site(request)
    except Refusal as refusal:
        return _page(request, refusal)
    messages.success(request, "Your site is there. Now add its traps.")
    return redirect("my-sites")


def _add_site(request: HttpRequest) -> None:
    """Read the form and add the site. Raises Refusal with every fault."""
    faults: list[Fault] = []
    place = {name: _degrees(request, name, faults) for name in SUCH_AS}
    household = _household(request, faults)
    latitude, longitude = place["latitude"], place["longitude"]
    if latitude is None or longitude is None or household is None:
        raise Faulty("The site could not be added yet.", faults=tuple(faults))
    add_site(by=account_of(request.user), household=household, latitude=latitude, longitude=longitude)


@require_POST
@page(Rule.SIGNED_IN)
def new_trap(request: HttpRequest, site: uuid.UUID) -> HttpResponse:
    """Add a trap to one of one's own sites."""
    try:
        trap = add_trap(by=account_of(request.user), site=site, habitat=_habitat(request))
    except NotFound:
        raise
    except Refusal as refusal:
        return _page(request, refusal)
    messages.success(request, f"Trap {trap.number} is there.")
    return redirect("my-sites")


def _habitat(request: HttpRequest) -> str:
    """Return the code that was chosen. A list offers every code, so only a hand-made request holds another."""
    given = request.POST.get("habitat", "")
    if not given.isprintable():
        raise Faulty("The trap could not be added yet.", faults=(Fault("/habitat", "unknown_habitat", NO_PLACE),))
    return given


def _degrees(request: HttpRequest, name: str, faults: list[Fault]) -> float | None:
    given = request.POST.get(name, "").strip().replace(",", ".").replace("\N{MINUS SIGN}", "-")
    if _DEGREES.match(given):
        return float(given)
    sentence = f"Write the {name} as a number of degrees, such as {SUCH_AS[name]}."
    faults.append(Fault(f"/{name}", "not_a_number", sentence))
    return None


def _household(request: HttpRequest, faults: list[Fault]) -> Any:
    try:
        return own_household(request.user, uuid.UUID(request.POST.get("household", "")))
    except (ValueError, NotFound):
        faults.append(Fault("/household", "unknown_household", NO_HOUSEHOLD))
    return None


def _page(request: HttpRequest, refusal: Refusal | None = None) -> HttpResponse:
    season = current_season()
    faults = {fault.pointer.strip("/"): fault.sentence for fault in refusal.faults} if refusal else {}
    shown = {
        "sites": own_sites(request.user),
        "households": own_households(request.user),
        "habitats": lists_of(season).habitats if season else (),
        "answers": request.POST,
        "faults": faults,
        # A trap's list stands once for each site, so a fault of it leads to no one field.
        "fault_list": [Shown(words, "" if name == "habitat" else name) for name, words in faults.items()],
        "refused": refusal.sentence if refusal else "",
    }
    return render(request, "my_sites.html", shown, status=422 if refusal else 200)


urlpatterns = [
    path("my/sites/", my_sites, name="my-sites"),
    path("my/sites/<uuid:site>/traps", new_trap, name="new-trap"),
]
