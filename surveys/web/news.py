"""News of a region and what moved in the last night; a coordinator writes it and takes it down."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from surveys.errors import NotFound, Refusal
from surveys.permissions import Rule, account_of, regions_of
from surveys.queries.news import cares_for_all, last_night, news_in_care, news_of, own_region
from surveys.queries.seasons import current_season
from surveys.queries.sites import regions_on_the_map
from surveys.services.news import take_news_down, write_news
from surveys.web.access import page
from surveys.web.moments import read_whole
from surveys.web.moved import moved_shown
from surveys.web.shown import shown

#: As many news are shown as a page carries well; older ones have had their time.
MOST_NEWS = 30


@page(Rule.ANYONE)
def news(request: HttpRequest) -> HttpResponse:
    """Show the news of a region and of all regions, and what moved in the last night."""
    known = list(regions_on_the_map())
    chosen = _chosen(request, known)
    context = {
        "regions": known,
        "region": chosen,
        "news": news_of(chosen)[:MOST_NEWS],
        "may_write": regions_of(request.user).exists(),
        **_moved(chosen),
    }
    return render(request, "feedback/news.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def news_edit(request: HttpRequest) -> HttpResponse:
    """Show what is up in one's own regions, write news, or take news down."""
    if request.method != "POST":
        return _edit_page(request)
    if down := request.POST.get("down", ""):
        take_news_down(by=account_of(request.user), news=read_whole(down) or 0)
        messages.success(request, gettext("The news is taken down."))
        return redirect("news-edit")
    region = request.POST.get("region", "")
    try:
        write_news(
            by=account_of(request.user),
            region=None if region == ALL else region,
            title=request.POST.get("title", ""),
            text=request.POST.get("text", ""),
        )
    except Refusal as refusal:
        if not refusal.faults:
            raise
        return _edit_page(request, refusal)
    messages.success(request, gettext("The news is up."))
    return redirect("news-edit")


#: Stands for all regions in the form: no region's code begins with a sign.
ALL = "*"


def _chosen(request: HttpRequest, known: list[Any]) -> Any:
    """Return the region that is asked for, or that of one's own first site."""
    code = request.GET.get("region", "")
    if not code:
        return own_region(request.user)
    found = next((region for region in known if region.code == code), None)
    if found is None:
        raise NotFound(gettext("There is no such region. This page lists the regions there are."))
    return found


def _moved(region: Any) -> dict[str, Any]:
    season = current_season()
    if season is None or region is None:
        return {"season": season, "night": None}
    night = last_night(season, region)
    return {"season": season, "night": night, **(moved_shown(night) if night else {})}


def _edit_page(request: HttpRequest, refusal: Refusal | None = None) -> HttpResponse:
    faults = shown(refusal.faults) if refusal else []
    given = request.POST if refusal else {}
    context = {
        "news": news_in_care(request.user),
        "regions": list(regions_of(request.user).order_by("position", "code")),
        "cares_for_all": cares_for_all(request.user),
        "all": ALL,
        "given": {name: given.get(name, "") for name in ("region", "title", "text")},
        "refused": refusal.sentence if refusal else "",
        "fault_list": faults,
        "faults": {fault.target: fault.sentence for fault in faults},
    }
    return render(request, "feedback/news_edit.html", context, status=422 if refusal else 200)


urlpatterns = [
    path("news/", news, name="news"),
    path("news/write/", news_edit, name="news-edit"),
]
