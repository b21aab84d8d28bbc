"""One's own ground: sites, their traps, and the plan on which the traps stand."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from surveys.errors import Fault, Faulty, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.openings import open_settings
from surveys.queries.seasons import current_season, lists_of
from surveys.queries.sites import (
    latest_returns,
    opening_now,
    own_households,
    own_site,
    own_sites,
    own_trap,
    zone_of,
)
from surveys.services.sites import MOST_TRAPS_AT_ONCE, add_traps, coarsen_site, place_trap_on_plan
from surveys.vocabulary import HouseholdKind
from surveys.web.access import page
from surveys.web.ground_plan import draw_plan
from surveys.web.new_site import new_site
from surveys.web.overdue import overdue
from surveys.web.return_form import read_identity
from surveys.web.shown import Shown


@require_safe
@page(Rule.SIGNED_IN)
def my_sites(request: HttpRequest) -> HttpResponse:
    """List one's own sites with their traps, the open ones first: animals may sit in them."""
    households = list(own_households(request.user))
    season = current_season()
    shown = {
        "open": list(open_settings(request.user)),
        "zone": season.time_zone if season else "UTC",
        "sites": own_sites(request.user),
        "households": households,
        "keeps_school": any(one.kind == HouseholdKind.SCHOOL for one in households),
    }
    return render(request, "my_sites.html", shown)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_site(request: HttpRequest, site: uuid.UUID) -> HttpResponse:
    """Show one site: its traps, its plan, what is kept of its place. POST forgets a finer point."""
    if request.method == "POST":
        coarsen_site(by=account_of(request.user), site=site)
        messages.success(request, _("The finer point is gone. Only the middle of the square is kept."))
        return redirect("my-site", site)
    return _site_page(request, site)


@require_POST
@page(Rule.SIGNED_IN)
def new_trap(request: HttpRequest, site: uuid.UUID) -> HttpResponse:
    """Add one trap or several to one of one's own sites."""
    try:
        traps = add_traps(
            by=account_of(request.user),
            site=site,
            habitat=_printable(request, "habitat"),
            number=_number(request),
            plan_square=_printable(request, "plan_square"),
            public_id=read_identity(request.POST.get("id", "")),
        )
    except NotFound:
        raise
    except Refusal as refusal:
        return _site_page(request, site, refusal)
    messages.success(request, _added(traps))
    return redirect("my-site", site)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def trap(request: HttpRequest, trap: uuid.UUID) -> HttpResponse:
    """Show one trap. POST puts it on a square of the plan."""
    if request.method != "POST":
        return _trap_page(request, trap)
    try:
        found = place_trap_on_plan(
            by=account_of(request.user), trap=trap, plan_square=_printable(request, "plan_square")
        )
    except NotFound:
        raise
    except Refusal:
        return _trap_page(request, trap, _("Choose one of the squares A1 to H8."))
    if found.plan_square:
        told = _("Trap %(number)s stands on square %(square)s.")
        messages.success(request, told % {"number": found.number, "square": found.plan_square})
    else:
        messages.success(request, _("Trap %(number)s is off the plan.") % {"number": found.number})
    return redirect("trap", trap)


def _added(traps: Sequence[Any]) -> str:
    """Say which traps are there now."""
    if len(traps) == 1:
        told = _("Trap %(number)s is there. You can add the next one, or dig it in.")
        return told % {"number": traps[0].number}
    told = _("Traps %(first)s to %(last)s are there. You can add more, or dig them in.")
    return told % {"first": traps[0].number, "last": traps[-1].number}


def _number(request: HttpRequest) -> int:
    """Return how many traps are to be added: one where nothing was said, 0 for what is no number."""
    given = request.POST.get("number", "1")
    return int(given) if given.isascii() and given.isdigit() and len(given) < 4 else 0


def _printable(request: HttpRequest, name: str) -> str:
    """Return what was chosen. A list offers every code, so only a hand-made request holds another sign."""
    given = request.POST.get(name, "")
    if not given.isprintable():
        words = {
            "habitat": _("Choose the place where the trap stands."),
            "plan_square": _("Choose one of the squares A1 to H8."),
        }[name]
        raise Faulty(_("The trap could not be added yet."), faults=(Fault(f"/{name}", "unknown", words),))
    return given


def _site_page(request: HttpRequest, public_id: uuid.UUID, refusal: Refusal | None = None) -> HttpResponse:
    site = own_site(request.user, public_id)
    season = current_season()
    words = {
        "habitat": _("Choose the place where the trap stands."),
        "plan_square": _("Choose one of the squares A1 to H8."),
        "number": _("Choose how many traps you add: 1 to 12."),
    }
    listed = _faults(refusal)
    if any(fault.code == "square_for_one_trap" for fault in listed):
        words["plan_square"] = _("A square is for one trap. Choose None, and place each trap later on its own page.")
    faults = {name: words.get(name, fault.sentence) for fault in listed if (name := fault.pointer[1:])}
    traps: tuple[Any, ...] = tuple(site.traps.all())
    shown: dict[str, Any] = {
        "site": site,
        "traps": traps,
        "may_set": any(one.open_since is None for one in traps),
        "plan": draw_plan(traps),
        "habitats": lists_of(season).habitats if season else (),
        "zone": zone_of(site.region),
        "answers": request.POST,
        "numbers": [str(number) for number in range(1, MOST_TRAPS_AT_ONCE + 1)],
        "id": read_identity(request.POST.get("id", "")),
        "faults": faults,
        "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
        "refused": refusal.sentence if refusal and not faults else "",
    }
    return render(request, "ground/my_site.html", shown, status=422 if refusal else 200)


def _faults(refusal: Refusal | None) -> tuple[Fault, ...]:
    return refusal.faults if refusal else ()


def _trap_page(request: HttpRequest, public_id: uuid.UUID, fault: str = "") -> HttpResponse:
    found = own_trap(request.user, public_id)
    others = [one for one in found.site.traps.all() if one.pk != found.pk]
    shown = {
        "trap": found,
        "opening": opening_now(found),
        "returns": latest_returns(found),
        "plan": draw_plan(others),
        "own_plan": draw_plan([found, *others]),
        "zone": zone_of(found.site.region),
        "fault": fault,
        "fault_list": [Shown(fault, "plan_square")] if fault else [],
    }
    return render(request, "ground/trap.html", shown, status=422 if fault else 200)


urlpatterns = [
    path("my/sites/", my_sites, name="my-sites"),
    path("my/sites/new/", new_site, name="new-site"),
    path("my/sites/<uuid:site>/", my_site, name="my-site"),
    path("my/sites/<uuid:site>/traps", new_trap, name="new-trap"),
    path("my/traps/<uuid:trap>/", trap, name="trap"),
    path("overdue/", overdue, name="overdue"),
]
