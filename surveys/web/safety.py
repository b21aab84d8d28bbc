"""Safety and welfare of a region: what holds everywhere, and what its coordinator wrote and dated."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Faulty
from surveys.permissions import Rule, account_of, regions_of
from surveys.queries.safety import RegionSafety, region_safety, region_safety_in_care
from surveys.queries.seasons import open_seasons_of, season_for
from surveys.services.safety import LONGEST_TEXT, tidy_safety_text, write_safety_page
from surveys.web.access import page
from surveys.web.safe_text import set_safely
from surveys.web.shown import shown

#: The text that holds everywhere (templates/guide/safety_everywhere.html, includes/backbone_rule.html): raise the
#: number with each change to it.
EVERYWHERE_VERSION = 2


@page(Rule.ANYONE)
def safety(request: HttpRequest, region: str) -> HttpResponse:
    """Show the safety page of a region."""
    found = region_safety(region)
    own = regions_of(request.user).filter(pk=found.region.pk).exists()
    shown = {
        **_shown(found),
        "may_edit": own,
        "version": EVERYWHERE_VERSION,
        "season": season_for(open_seasons_of(found.region), timezone.localdate()),
    }
    return render(request, "guide/safety.html", shown)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def safety_edit(request: HttpRequest, region: str) -> HttpResponse:
    """Show the form, show what a text would look like, or add it as a new version."""
    found = region_safety_in_care(request.user, region)
    if request.method != "POST":
        return _form(request, found, found.latest.text if found.latest else "")
    text = request.POST.get("text", "")
    try:
        if request.POST.get("do") != "store":
            return _form(request, found, text, preview=set_safely(tidy_safety_text(text)))
        write_safety_page(by=account_of(request.user), region=region, text=text, on=timezone.localdate())
    except Faulty as refusal:
        return _form(request, found, text, refusal=refusal)
    messages.success(request, gettext("Your text now stands on the page. The older ones are kept."))
    return redirect("safety", region)


def _form(
    request: HttpRequest,
    found: RegionSafety,
    text: str,
    *,
    preview: str = "",
    refusal: Faulty | None = None,
) -> HttpResponse:
    faults = shown(refusal.faults) if refusal else []
    context = {**_shown(found), "text": text, "preview": preview, "fault_list": faults, "longest": LONGEST_TEXT}
    return render(request, "guide/safety_edit.html", context, status=422 if refusal else 200)


def _shown(found: RegionSafety) -> dict[str, Any]:
    """Return what both pages show of a region."""
    own = set_safely(found.latest.text) if found.latest else ""
    return {"region": found.region, "own": own, "latest": found.latest, "dates": found.dates}


urlpatterns = [
    path("safety/<slug:region>/", safety, name="safety"),
    path("safety/<slug:region>/edit/", safety_edit, name="safety-edit"),
]
