"""The front page: the job in plain words, the season, the map, and how to set a trap."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

from surveys.permissions import Rule
from surveys.queries.indices import published_run
from surveys.queries.openings import open_settings
from surveys.queries.seasons import current_season, lists_of
from surveys.web.access import page
from surveys.web.maps import draw_regions

#: The animals of the front page's drawer: drawing, name, and one thing worth knowing about each.
#: The facts are common knowledge of soil animals; written from memory of general field guides.
DRAWER = (
    ("woodlice", _("Woodlouse"), _("Not an insect. It has 14 legs and breathes best where it is damp.")),
    ("ground_beetles", _("Ground beetle"), _("It runs at night and hunts slugs and other small animals.")),
    ("spiders", _("Spider"), _("Eight legs. Many sorts walk over the ground and spin no web to hunt.")),
    ("springtails", _("Springtail"), _("Tiny. A fork under its tail flings it out of danger.")),
    ("millipedes", _("Millipede"), _("Two pairs of legs on most rings. It eats dead leaves.")),
    ("snails", _("Snail"), _("It carries its house and comes out when the ground is wet.")),
)


@page(Rule.ANYONE)
def home(request: HttpRequest) -> HttpResponse:
    """Show the front page; whoever is signed in reads there that a trap of theirs stands open."""
    standing = request.user.is_authenticated and open_settings(request.user).exists()
    return render(request, "home.html", {"drawer": DRAWER, "standing": standing, **_season()})


def _season() -> dict[str, Any]:
    """Return the season that is on, its map and its run; nothing of it before the first season."""
    season = current_season()
    if season is None:
        return {"season": None}
    lists = lists_of(season)
    shape = draw_regions([(region.code, region.boundary) for region in lists.regions])
    places = list(zip(lists.regions, shape.outlines, strict=True)) if shape else []
    return {"season": season, "lists": lists, "map": shape, "places": places, "run": published_run(season)}
