"""One's own ground: sites and their traps."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.seasons import current_season, lists_of
from surveys.queries.sites import own_household, own_households, own_sites
from surveys.services.sites import add_site, add_trap
from surveys.web.access import page
from surveys.web.people import Shown


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_sites(request: HttpRequest) -> HttpResponse:
    """List one's own sites, or add one."""
    if request.method != "POST":
        return _page(request)
    latitude, longitude = _degrees(request, "latitude"), _degrees(request, "longitude")
    if latitude is None or longitude is None:
        sentence = "Write the latitude and longitude as numbers, such as 51.5012 and -18.0433."
        return _page(request, [Shown(sentence, "latitude")])
    try:
        household = own_household(request.user, uuid.UUID(request.POST.get("household", "")))
        add_site(by=account_of(request.user), household=household, latitude=latitude, longitude=longitude)
    except ValueError:
        return _page(request, [Shown("Choose the household or school to which the site belongs.", "household")])
    except Refusal as refusal:
        return _page(request, [Shown(fault.sentence, "latitude") for fault in refusal.faults], refusal.sentence)
    messages.success(request, "Your site is there. Now add its traps.")
    return redirect("my-sites")


@require_POST
@page(Rule.SIGNED_IN)
def new_trap(request: HttpRequest, site: uuid.UUID) -> HttpResponse:
    """Add a trap to one of one's own sites."""
    try:
        trap = add_trap(by=account_of(request.user), site=site, habitat=request.POST.get("habitat", ""))
    except NotFound:
        raise
    except Refusal as refusal:
        return _page(request, [Shown(fault.sentence, "") for fault in refusal.faults], refusal.sentence)
    messages.success(request, f"Trap {trap.number} is there.")
    return redirect("my-sites")


def _degrees(request: HttpRequest, name: str) -> float | None:
    try:
        return float(request.POST.get(name, "").strip().replace(",", "."))
    except ValueError:
        return None


def _page(request: HttpRequest, faults: list[Shown] | None = None, refused: str = "") -> HttpResponse:
    season = current_season()
    shown = {
        "sites": own_sites(request.user),
        "households": own_households(request.user),
        "habitats": lists_of(season).habitats if season else (),
        "answers": request.POST,
        "fault_list": faults or [],
        "refused": refused,
    }
    return render(request, "my_sites.html", shown, status=422 if faults or refused else 200)


urlpatterns = [
    path("my/sites/", my_sites, name="my-sites"),
    path("my/sites/<uuid:site>/traps", new_trap, name="new-trap"),
]
