"""The desk's first page: one season in one's own regions, what waits, what is thin, and how the nights went."""

from __future__ import annotations

from collections import Counter
from typing import Any, cast

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.utils.text import capfirst
from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from surveys.methods.protocol_checks_list import TITLES
from surveys.permissions import Rule, Visitor, region_keys_of
from surveys.queries.cases import cases_waiting
from surveys.queries.nights import nights_of
from surveys.queries.overview import (
    Overview,
    cells_of,
    most_common_findings,
    overdue_now,
    overview_of,
    season_in_care,
    seasons_in_care,
    thin_places,
    weeks_of,
)
from surveys.queries.review import how_much_waits
from surveys.vocabulary import Standing
from surveys.web.access import page
from surveys.web.maps import draw_cells, draw_regions
from surveys.web.nights import told_night
from surveys.web.review_quality import QualityShown, quality_shown
from surveys.web.svg_desk_charts import Part, Week, parts_of_whole, returns_by_week
from surveys.web.svg_frame import Chart
from surveys.web.words import say

#: The last nights that the overview tells of; the page of nights has more.
LAST_NIGHTS = 3
#: Seconds for which the panel on the review is kept.
QUALITY_S = 600
#: Places that are short of sites; the shortest come first.
MOST_THIN = 12


@require_safe
@page(Rule.COORDINATOR)
def overview(request: HttpRequest) -> HttpResponse:
    """Show a season in the visitor's regions: the open one, or the one that was chosen."""
    season = season_in_care(request.user, request.GET.get("season"))
    if season is None:
        return render(request, "desk/overview.html", {"season": None})
    found = overview_of(request.user, season)
    now = timezone.now()
    context = {
        "season": season,
        "seasons": seasons_in_care(request.user),
        "found": found,
        "waiting": how_much_waits(request.user),
        "overdue": overdue_now(request.user, now),
        "cases": cases_waiting(request.user),
        "nights": [told_night(night, now) for night in nights_of(request.user, most=LAST_NIGHTS)],
        "map": _map(found),
        "thin": _thin(found),
        "quality": _quality(season, request.user),
        **_charts(found),
    }
    return render(request, "desk/overview.html", context)


def _quality(season: Any, visitor: Visitor) -> QualityShown:
    """Return how good the review is, counted anew every ten minutes at most: it reads all returns of the season."""
    keys = region_keys_of(visitor)
    key = f"review-quality/{season.pk}/{get_language()}/{'all' if keys is None else keys}".replace(" ", "")
    return cast(QualityShown, cache.get_or_set(key, lambda: quality_shown(season, visitor), QUALITY_S))


def _charts(found: Overview) -> dict[str, Chart | None]:
    counted = found.counted
    weeks = [Week(day, returns) for day, returns in weeks_of(counted)]
    standings: Counter[str] = Counter()
    for one in counted:
        standings.update(one.standings)
    whole = sum(standings.values())
    findings = [Part(say(TITLES.get(check, check)), n) for check, n in most_common_findings(counted)]
    parts = [Part(capfirst(say(standing)), standings[standing.value]) for standing in Standing]
    return {
        "weeks": returns_by_week(weeks=weeks) if weeks else None,
        "standings": parts_of_whole(
            title=_("How returns stand to the protocol"), parts=parts, whole=whole, of_what=_("Share of returns")
        )
        if whole
        else None,
        "findings": parts_of_whole(
            title=_("The most common findings"), parts=findings, whole=whole, of_what=_("Share of returns")
        )
        if findings
        else None,
    }


def _map(found: Overview) -> dict[str, Any] | None:
    """Return the map of one's own regions with the sites of each, and its cells."""
    boundaries = [(one.region.code, one.region.boundary) for one in found.regions]
    shape = draw_regions(boundaries)
    if shape is None:
        return None
    cells = cells_of(one.region for one in found.regions)
    rows = [
        {"region": one, "outline": outline, "sites_counted": one.counts.sites if one.counts else 0}
        for one, outline in zip(found.regions, shape.outlines, strict=True)
    ]
    return {
        "shape": shape,
        "rows": rows,
        "dots": draw_cells(boundaries, [(cell.longitude, cell.latitude, cell.sites) for cell in cells]),
        "cells": len(cells),
        "sites": sum(one.sites_joined for one in found.regions),
    }


def _thin(found: Overview) -> dict[str, Any]:
    """Return the places that are short of sites or nights, in words; and how many more there are."""
    windows = {window.code: window.name for window in found.lists.windows}
    habitats = {habitat.code: habitat.label for habitat in found.lists.habitats}
    places = thin_places(found, timezone.localdate())
    rows = [
        {
            "place": place,
            "window": windows[place.window],
            "habitats": ", ".join(f"{say(habitats[code])} ({sites})" for code, sites in place.thin_habitats),
        }
        for place in places[:MOST_THIN]
    ]
    return {"rows": rows, "more": max(len(places) - MOST_THIN, 0)}


urlpatterns = [path("desk/", overview, name="desk")]
