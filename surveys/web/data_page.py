"""The page of the data: what they hold, what they can say, and how researchers read them."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_safe

from surveys.permissions import Rule
from surveys.queries.releases import newest_release, releases
from surveys.queries.seasons import current_season
from surveys.vocabulary import LeftOut
from surveys.web.access import page
from surveys.web.release_words import reasons_in_words

#: Releases that the page lists; the page of releases has all.
MOST_RELEASES = 5


@require_safe
@page(Rule.ANYONE)
def data(request: HttpRequest) -> HttpResponse:
    """Show what the data are and how to read them."""
    found = list(releases()[: MOST_RELEASES + 1])
    season = current_season()
    context = {
        "season": season,
        "code": season.code if season else "merrow-2026",
        "newest": newest_release(),
        "releases": found[:MOST_RELEASES],
        "more": len(found) > MOST_RELEASES,
        "reasons": reasons_in_words(),
        "left_out": list(LeftOut),
        "ogc": request.build_absolute_uri(reverse("ogc")),
        "here": request.build_absolute_uri("/").rstrip("/"),
    }
    return render(request, "data/data.html", context)


urlpatterns = [path("data/", data, name="data")]
