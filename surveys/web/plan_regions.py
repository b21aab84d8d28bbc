"""The regions of a plan: a GeoJSON file sent or pasted, its regions named, drawn, and held against each other."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods

from surveys.permissions import Rule
from surveys.plans.areas import area_km2
from surveys.plans.geojson import MOST_BYTES, BoundariesRead, read_boundaries, with_codes
from surveys.plans.records import PlanDraft
from surveys.plans.shapes import Shape, area_in_words, shape_of
from surveys.queries.season_plans import draft_of, plan_of
from surveys.vocabulary import PlanSection
from surveys.web.access import page
from surveys.web.plan_forms import line
from surveys.web.plan_sections import save_and_go_on, show_section
from surveys.web.plan_shown import faults_shown, map_of
from surveys.web.shown import Shown
from surveys.web.uploads import CappedUpload

_WORD = PlanSection.REGIONS
#: Beyond this nothing more is listened to, and the line is cut.
_LISTENED_TO = 4 * MOST_BYTES


# The file must not be read before the cap is set, and looking for the token reads it: so the token is looked for
# inside, after that.
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@csrf_exempt
@page(Rule.PLANNER)
def plan_regions(request: HttpRequest, number: uuid.UUID) -> HttpResponseBase:
    """Show the regions of a plan; take a file or a text; take codes and names."""
    upload = CappedUpload(request, MOST_BYTES, listened_to=_LISTENED_TO)
    request.upload_handlers = [upload]
    try:
        return csrf_protect(_plan_regions)(request, number, upload)
    except RequestDataTooBig:
        found = plan_of(request.user, number)
        words = gettext("The text is longer than a page can carry. Send it as a file: one file takes 5 MB.")
        return _page(request, found, draft_of(found), unread=[Shown(words, "text")], status=413)


def _plan_regions(request: HttpRequest, number: uuid.UUID, upload: CappedUpload) -> HttpResponse:
    found = plan_of(request.user, number)
    if found.opened_as:
        return redirect("plan", number)
    draft = draft_of(found)
    if request.method != "POST":
        return _page(request, found, draft)
    if request.POST.get("do") == "names":
        return _save(request, found, draft, _renamed(draft, request.POST))
    return _take_file(request, found, draft, upload)


def _take_file(request: HttpRequest, found: Any, draft: PlanDraft, upload: CappedUpload) -> HttpResponse:
    """Read what was sent; where it cannot be read, the regions so far stay."""
    sent, text = request.FILES.get("file"), request.POST.get("text", "")
    content = sent.read() if isinstance(sent, UploadedFile) else text.encode("utf-8", "replace")
    read = read_boundaries(b" " * (MOST_BYTES + 1) if upload.too_big else content)
    if read.faults:
        unread = faults_shown(read.faults)
        return _page(request, found, draft, unread=unread, text=text if not sent else "", status=422)
    return _save(request, found, draft, _collection(read))


def _collection(read: BoundariesRead) -> dict[str, Any]:
    return {**read.collection, "features": with_codes(read.features)}


def _renamed(draft: PlanDraft, posted: Mapping[str, str]) -> dict[str, Any]:
    """Return the boundaries with the codes and names that were typed."""
    boundaries = deepcopy(dict(draft.boundaries))
    for n, feature in enumerate(boundaries.get("features", ()), start=1):
        for key in ("code", "name"):
            if (box := f"region-{n}-{key}") in posted:
                feature["properties"][key] = line(posted[box])
    return boundaries


def _save(request: HttpRequest, found: Any, draft: PlanDraft, boundaries: Mapping[str, Any]) -> HttpResponse:
    typed = PlanDraft(draft.plan, boundaries, draft.limits)
    return save_and_go_on(
        request, found, _WORD, {"boundaries": boundaries}, lambda **more: _page(request, found, typed, **more)
    )


def _page(
    request: HttpRequest,
    found: Any,
    draft: PlanDraft,
    *,
    unread: list[Shown] | None = None,
    text: str = "",
    **more: Any,
) -> HttpResponse:
    features = draft.boundaries.get("features", ())
    drawing, places = map_of(features)
    shown = {
        "rows": [
            (n, feature["properties"], _area(feature) if drawing else "") for n, feature in enumerate(features, start=1)
        ],
        "map": drawing,
        "places": places,
        "fault_list": unread or [],
        "text": text,
    }
    return show_section(request, found, _WORD, draft, shown, **more)


def _area(feature: Mapping[str, Any]) -> str:
    place: Shape = shape_of("", feature["geometry"])
    return area_in_words(area_km2(place.place)) if place.place.is_valid else ""


urlpatterns = [path("desk/seasons/<uuid:number>/regions/", plan_regions, name="plan-regions")]
