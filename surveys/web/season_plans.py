"""The desk's seasons: what there is, plans of what comes, opening and closing. For coordinators of all regions."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Refusal
from surveys.permissions import Rule, account_of
from surveys.plans.checks import can_open, check_plan
from surveys.plans.ranges import rows_of
from surveys.queries.season_plans import (
    draft_of,
    groups_to_choose,
    habitats_to_choose,
    known_on,
    left_open_in,
    plan_of,
    plans_of,
)
from surveys.queries.seasons import season_by_code, seasons
from surveys.services.season_plans import begin_plan, drop_plan, open_season
from surveys.services.seasons import close_season
from surveys.vocabulary import Licence, SeasonState
from surveys.web.access import page
from surveys.web.moments import read_whole
from surveys.web.plan_shown import map_of, number_in_box, sections_shown
from surveys.web.shown import Shown


@never_cache
@page(Rule.PLANNER)
def season_plans(request: HttpRequest) -> HttpResponse:
    """List plans, each with how much is still to do, and the seasons there are."""
    known = known_on(timezone.localdate())
    plans = [(plan, _left(plan, known)) for plan in plans_of(request.user).filter(opened_as__isnull=True)]
    return render(request, "plans/seasons.html", {"plans": plans, "seasons": list(seasons())})


def _left(plan: Any, known: Any) -> int:
    return sum(fault.blocks for fault in check_plan(draft_of(plan), known))


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def new_plan(request: HttpRequest) -> HttpResponse:
    """Ask how a plan begins: empty, or as a copy of a season with its dates moved by a year."""
    if request.method != "POST":
        return render(request, "plans/new_plan.html", {"seasons": list(seasons())})
    plan = begin_plan(by=account_of(request.user), copy_of=request.POST.get("copy_of") or None)
    messages.success(request, gettext("Here is the plan. Work on its sections in any order."))
    return redirect("plan", plan.public_id)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show the sections of a plan with what is still to do in each; take the plan off the list."""
    found = plan_of(request.user, number)
    if request.method == "POST" and request.POST.get("do") == "drop":
        try:
            drop_plan(by=account_of(request.user), public_id=number)
        except Refusal as refusal:
            messages.error(request, refusal.sentence)
            return redirect("plan", number)
        messages.success(request, gettext("The plan is off the list."))
        return redirect("season-plans")
    return render(request, "plans/plan.html", _plan_shown(found))


def _plan_shown(found: Any) -> dict[str, Any]:
    draft = draft_of(found)
    faults = () if found.opened_as else check_plan(draft, known_on(timezone.localdate()))
    return {"plan": found, "sections": sections_shown(draft, faults), "ready": can_open(faults)}


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan_open(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show everything once more, and open the season once it is said that opening freezes it."""
    found = plan_of(request.user, number)
    if found.opened_as:
        return redirect("plan", number)
    if request.method != "POST":
        return render(request, "plans/open.html", _all_of(found))
    if request.POST.get("freezes") != "yes":
        words = gettext("Say first that you know it: opening freezes this.")
        return render(
            request, "plans/open.html", {**_all_of(found), "fault_list": [Shown(words, "freezes")]}, status=422
        )
    try:
        season = open_season(
            by=account_of(request.user),
            public_id=number,
            version=read_whole(request.POST.get("version", "")) or 0,
            today=timezone.localdate(),
        )
    except Refusal as refusal:
        fresh = plan_of(request.user, number)
        return render(request, "plans/open.html", {**_all_of(fresh), "refused": refusal.sentence}, status=409)
    messages.success(request, gettext("The season is open. Families can set traps now."))
    return redirect("season", season.code)


def _all_of(found: Any) -> dict[str, Any]:
    """Return everything that a plan holds, in words."""
    draft = draft_of(found)
    features = draft.boundaries.get("features", ())
    names = {group.code: group.name for group in groups_to_choose()}
    labels = {habitat.code: habitat.label for habitat in habitats_to_choose()}
    shape, places = map_of(features)
    licence = draft.plan.get("licence")
    return {
        **_plan_shown(found),
        "draft": draft.plan,
        "licence": Licence(licence) if licence in Licence.values() else None,
        "in_hundred": _in_hundred(draft.plan.get("review_budget")),
        "groups": [names.get(code, code) for code in draft.plan.get("groups") or ()],
        "habitats": [(labels.get(row["code"], row["code"]), row["weight"]) for row in draft.plan.get("habitats") or ()],
        "limits": draft.limits,
        "changed_limits": _changed_limits(draft),
        "features": features,
        "map": shape,
        "places": places,
    }


def _in_hundred(share: Any) -> str:
    return number_in_box(share, times=100) if isinstance(share, int | float) else ""


def _changed_limits(draft: Any) -> list[tuple[Any, ...]]:
    """Return the limits of a new version that are not those of the version it is based on, with their checks."""
    base = known_on(timezone.localdate()).protocols.get(str(draft.limits.get("based_on")))
    if not draft.limits or base is None:
        return []
    return [
        (check.title, row.label, box.before, box.value, check.unit)
        for check in rows_of(draft.limits, base)
        for row in check.rows
        for box in (row.low, row.high)
        if box is not None and box.before != box.value
    ]


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def season_close(request: HttpRequest, code: str) -> HttpResponse:
    """Say what closing a season means and what still waits in it, and close it."""
    season = season_by_code(code)
    queried, received = left_open_in(season)
    shown = {"season": season, "queried": queried, "received": received, "is_open": season.state == SeasonState.OPEN}
    if request.method != "POST":
        return render(request, "plans/close.html", shown)
    if request.POST.get("closes") != "yes":
        words = gettext("Say first that you know it: a closed season is not opened again.")
        return render(request, "plans/close.html", {**shown, "fault_list": [Shown(words, "closes")]}, status=422)
    close_season(by=account_of(request.user), code=code)
    messages.success(request, gettext("The season is closed. Its figures stay."))
    return redirect("season-plans")


urlpatterns = [
    path("desk/seasons/", season_plans, name="season-plans"),
    path("desk/seasons/new/", new_plan, name="new-plan"),
    path("desk/seasons/close/<slug:code>/", season_close, name="season-close"),
    path("desk/seasons/<uuid:number>/", plan, name="plan"),
    path("desk/seasons/<uuid:number>/open/", plan_open, name="plan-open"),
]
