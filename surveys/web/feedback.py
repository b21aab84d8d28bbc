"""What a night is good for: a sheet for the wall, and a household's own places side by side."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.translation import gettext

from surveys.errors import NotFound
from surveys.methods.feedback import OwnCatch
from surveys.permissions import Rule
from surveys.queries.feedback import OwnReturn, own_season, returns_of_night
from surveys.queries.returns import own_return
from surveys.queries.seasons import current_season, lists_of, season_by_code
from surveys.queries.sites import own_sites
from surveys.web import household_questions
from surveys.web.access import page
from surveys.web.side_by_side import places_shown, table_shown
from surveys.web.wall import wall_shown
from surveys.web.words import say


@page(Rule.SIGNED_IN)
def wall_sheet(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show the sheet to print of a night: all traps of the household, with its public name if that is asked for."""
    report = own_return(request.user, number)
    night = returns_of_night(report, request.user)
    if not night:
        raise NotFound(gettext("Nothing of this night is in use, so there is nothing to print."))
    with_name = request.GET.get("name") == "yes"
    shown = {
        "report": report,
        "alias": report.trap.site.household.alias if with_name else "",
        **wall_shown(night, lists_of(report.season)),
    }
    return render(request, "feedback/wall.html", shown)


@page(Rule.SIGNED_IN)
def compare_habitats(request: HttpRequest) -> HttpResponse:
    """Show a site's places side by side over a season: one group as a chart, all of them in a table."""
    sites = list(own_sites(request.user))
    season = season_by_code(code) if (code := request.GET.get("season")) else current_season()
    context: dict[str, Any] = {"sites": sites, "season": season, "site": None, "rows": []}
    if sites and season:
        site = _chosen(sites, request.GET.get("site"), "public_id")
        context |= {"site": site, **_compared(request, season, own_season(request.user, season, site.public_id))}
    return render(request, "feedback/compare.html", context)


def _compared(request: HttpRequest, season: Any, returns: Sequence[OwnReturn]) -> dict[str, Any]:
    lists = lists_of(season)
    by_group: dict[str, list[OwnCatch]] = {}
    for one in returns:
        for code, catch in one.catches.items():
            by_group.setdefault(code, []).append(catch)
    if not by_group:
        return {}
    groups = [group for group in lists.groups if group.code in by_group]
    names = {one.report.habitat_id or 0: _habitat(one.report) for one in returns}
    # The kind that was caught most is the one to begin with.
    most = max(groups, key=lambda group: sum(catch.low for catch in by_group[group.code]))
    group = _chosen([most, *groups], request.GET.get("group"), "code")
    return {
        "groups": groups,
        "group": group,
        "nights": len({one.report.night for one in returns}),
        "habitats": [names[number] for number in sorted(names)],
        "rows": table_shown(by_group, groups, sorted(names)),
        **_chart(group, by_group, names),
    }


def _chart(group: Any, by_group: dict[str, list[OwnCatch]], names: dict[int, str]) -> dict[str, Any]:
    shown = places_shown(by_group[group.code], names)
    said = "; ".join(f"{place.name}: {place.words}" for place in shown["places"])
    return {**shown, "reading": gettext("%(group)s. %(places)s.") % {"group": say(group.name), "places": said}}


def _habitat(report: Any) -> str:
    return say(report.habitat.label) if report.habitat else gettext("place not told")


def _chosen(listed: Sequence[Any], wanted: str | None, name: str) -> Any:
    """Return what is asked for, or the first."""
    if not wanted:
        return listed[0]
    found = next((one for one in listed if str(getattr(one, name)) == wanted), None)
    if found is None:
        raise NotFound(gettext("There is nothing of that name here."))
    return found


urlpatterns = [
    path("my/returns/<uuid:number>/wall/", wall_sheet, name="wall-sheet"),
    path("my/places/", compare_habitats, name="compare-habitats"),
    *household_questions.urlpatterns,
]
